using System.Collections.Immutable;
using Microsoft.EntityFrameworkCore;
using Titration.Storage.Model;

namespace Titration.Storage.Ledger;

/// <summary>Patients are recognised by marks that only the clinic's key makes, and this process has none or another.</summary>
public sealed class ErasureKeyException() : InvalidOperationException(Problem)
{
    public const string Problem = "patients were erased here, and Titration:Privacy:Key is not the key that their marks were made with";
}

/// <summary>The marks of erased patients: what still arrives of them is not taken in.</summary>
public static class ErasureMarks
{
    /// <summary>
    /// Those of the marks that an erased patient left; in the transaction that takes in, before anything is kept in it. Until it ends no patient is erased.
    /// </summary>
    /// <param name="database">The database.</param>
    /// <param name="marks">Keyed hashes of the patients' ids.</param>
    /// <param name="keyMark">The key's own mark; null where there is no key.</param>
    /// <param name="cancellationToken">Ends it.</param>
    /// <exception cref="ErasureKeyException">There are marks, and none of this key.</exception>
    public static async Task<ImmutableArray<byte[]>> ErasedAmongAsync(
        this TitrationDbContext database, IReadOnlyCollection<byte[]> marks, byte[]? keyMark, CancellationToken cancellationToken)
    {
        if (database.Database.CurrentTransaction is null)
        {
            throw new InvalidOperationException("Who was erased is asked within the transaction that depends on it.");
        }

        await database.HoldOffErasuresAsync(cancellationToken);
        if (!await database.ErasedPatients.AnyAsync(cancellationToken))
        {
            return [];
        }

        byte[][] sought = keyMark is null ? [] : [.. marks, keyMark];
        List<byte[]> found = await database.ErasedPatients.Where(e => sought.Contains(e.Mark)).Select(e => e.Mark).ToListAsync(cancellationToken);
        return keyMark is not null && found.RemoveAll(mark => mark.AsSpan().SequenceEqual(keyMark)) > 0 ? [.. found] : throw new ErasureKeyException();
    }

    /// <summary>Whether the marks that are there, if any, were made with this key.</summary>
    /// <param name="database">The database.</param>
    /// <param name="keyMark">The key's own mark; null where there is no key.</param>
    /// <param name="cancellationToken">Ends it.</param>
    public static async Task<bool> FitsMarksAsync(this TitrationDbContext database, byte[]? keyMark, CancellationToken cancellationToken) =>
        !await database.ErasedPatients.AnyAsync(cancellationToken)
        || (keyMark is not null && await database.ErasedPatients.AnyAsync(e => e.Mark == keyMark, cancellationToken));

    /// <summary>Whether the patient of this mark was erased.</summary>
    public static Task<bool> IsErasedAsync(this TitrationDbContext database, byte[] mark, CancellationToken cancellationToken) =>
        database.ErasedPatients.AnyAsync(e => e.Mark == mark, cancellationToken);

    /// <summary>Leaves a mark; one that is there already stays.</summary>
    internal static async Task MarkAsync(this TitrationDbContext database, byte[] mark, DateTimeOffset at, CancellationToken cancellationToken)
    {
        if (!await database.IsErasedAsync(mark, cancellationToken))
        {
            database.ErasedPatients.Add(new ErasedPatientRow { Mark = mark, ErasedAt = at });
        }
    }
}
