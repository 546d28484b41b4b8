namespace Titration.Worker.Telemetry;

/// <summary>
/// Remembers what trouble the log was told of: a database that is away is met by everybody who needs it, many times a second, and one line of it is enough.
/// </summary>
internal sealed class RepeatedTrouble(TimeProvider time)
{
    private static readonly TimeSpan Silence = TimeSpan.FromMinutes(1);

    private readonly Lock _lock = new();
    private readonly Dictionary<string, (long ToldAt, int Since)> _told = new(StringComparer.Ordinal);

    /// <summary>Whether the log is to be told of it now: the first time, and then once a minute.</summary>
    /// <param name="problem">Kinds are told apart by the innermost exception.</param>
    /// <param name="untold">How often it has happened since it was told of last.</param>
    public bool IsToBeTold(Exception problem, out int untold)
    {
        string kind = SafeException.KindOf(problem.GetBaseException());
        lock (_lock)
        {
            if (_told.TryGetValue(kind, out (long ToldAt, int Since) told) && time.GetElapsedTime(told.ToldAt) < Silence)
            {
                _told[kind] = told with { Since = told.Since + 1 };
                untold = 0;
                return false;
            }

            untold = told.Since;
            _told[kind] = (time.GetTimestamp(), 0);
            return true;
        }
    }
}
