using Microsoft.EntityFrameworkCore;
using Titration.Storage.Model;

namespace Titration.Storage.Delivery;

/// <summary>The mode, and who chose it when.</summary>
public static class ModeQueries
{
    /// <summary>The mode as it is; shadow where none was ever chosen, since nothing leaves then.</summary>
    public static async Task<OperatingMode> ModeAsync(this TitrationDbContext database, CancellationToken cancellationToken) =>
        (await database.ModeChangeAsync(cancellationToken))?.Mode ?? OperatingMode.Shadow;

    /// <summary>The change by which the mode is as it is; null: none was ever chosen.</summary>
    public static Task<ModeChangeRow?> ModeChangeAsync(this TitrationDbContext database, CancellationToken cancellationToken) =>
        database.ModeChanges.AsNoTracking().OrderByDescending(m => m.Id).FirstOrDefaultAsync(cancellationToken);

    /// <summary>Chooses a mode.</summary>
    /// <param name="database">The database, in a fresh context.</param>
    /// <param name="mode">The mode.</param>
    /// <param name="by">Who chooses it.</param>
    /// <param name="reason">Why; null: nobody said.</param>
    /// <param name="at">Now.</param>
    /// <param name="cancellationToken">Ends it before anything is recorded.</param>
    public static async Task ChangeModeAsync(
        this TitrationDbContext database, OperatingMode mode, string by, string? reason, DateTimeOffset at, CancellationToken cancellationToken)
    {
        database.ModeChanges.Add(new ModeChangeRow { Mode = mode, At = at, By = by, Reason = reason });
        await database.SaveChangesAsync(cancellationToken);
    }

    /// <summary>
    /// Since when the service is live: the newest change to live from shadow, or from nothing. A pause does not begin it anew. Null where it never was.
    /// </summary>
    public static async Task<DateTimeOffset?> LiveSinceAsync(this TitrationDbContext database, CancellationToken cancellationToken)
    {
        DateTimeOffset? since = null;
        bool begins = true;
        foreach (ModeChangeRow change in await database.ModeChanges.AsNoTracking().OrderBy(m => m.Id).ToListAsync(cancellationToken))
        {
            since = begins && change.Mode == OperatingMode.Live ? change.At : since;
            begins = change.Mode == OperatingMode.Shadow || (begins && change.Mode != OperatingMode.Live);
        }

        return since;
    }
}
