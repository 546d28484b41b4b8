using System.Data.Common;
using Microsoft.Data.Sqlite;

namespace Titration.Worker.Telemetry;

/// <summary>
/// Stands for an exception where people and machines outside of the database read it: what happened and where, without any message, since messages
/// quote what they are about, a patient's data included.
/// </summary>
public sealed class SafeException(Exception original) : Exception(KindOf(original))
{
    /// <summary>The methods it came through; the frames of .NET hold no values.</summary>
    public override string? StackTrace { get; } = original is SafeException ? original.StackTrace : Frames(original);

    /// <summary>The types from the outside to the inside, with the database's own code where it has one.</summary>
    public static string KindOf(Exception problem) => problem switch
    {
        SafeException safe => safe.Message,
        { InnerException: { } inner } => $"{Name(problem)}: {KindOf(inner)}",
        _ => Name(problem),
    };

    public override string ToString() => StackTrace is null ? Message : $"{Message}{Environment.NewLine}{StackTrace}";

    private static string Name(Exception problem) => problem switch
    {
        SqliteException sqlite => $"{problem.GetType().Name} {sqlite.SqliteExtendedErrorCode}",
        DbException { SqlState: { Length: > 0 } state } => $"{problem.GetType().Name} {state}",
        _ => problem.GetType().Name,
    };

    private static string? Frames(Exception problem) => problem.InnerException is { } inner
        ? string.Join(Environment.NewLine, new[] { Frames(inner), problem.StackTrace }.Where(f => f is not null))
        : problem.StackTrace;
}
