using System.Collections.Immutable;
using System.CommandLine;
using System.Data.Common;
using Titration.Storage;

namespace Titration.Worker.Commands;

/// <summary><c>titration database migrate</c>.</summary>
internal static class DatabaseCommand
{
    public static Command Create()
    {
        Command migrate = new("migrate", """
            Brings the database's schema up to date. Run it with credentials that may change the schema; the workers only verify it.
            An embedded SQLite database is brought up to date by `run` itself.
            """);
        migrate.SetAction((_, cancellationToken) => MigrateAsync(cancellationToken));
        return new Command("database", "Looks after the database.") { migrate };
    }

    private static async Task<int> MigrateAsync(CancellationToken cancellationToken)
    {
        if (CommandSettings.Load() is not { } settings)
        {
            return ExitCode.Usage;
        }

        Directory.CreateDirectory(settings.Options.DataFolder);
        await using TitrationDbContext database = StorageServices.CreateContext(settings.Database);
        try
        {
            ImmutableArray<string> applied = await database.MigrateAsync(cancellationToken);
            Console.WriteLine(applied.IsEmpty ? "The schema is up to date." : $"Applied {string.Join(", ", applied)}.");
            return ExitCode.Done;
        }
        catch (Exception problem) when (problem is DbException or InvalidOperationException)
        {
            Console.Error.WriteLine($"titration: the database could not be migrated: {problem.Message}");
            return ExitCode.Found;
        }
    }
}
