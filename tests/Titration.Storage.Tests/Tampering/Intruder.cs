using Microsoft.EntityFrameworkCore;
using Titration.Storage.Ledger;
using Titration.Storage.Model;

namespace Titration.Storage.Tests.Tampering;

/// <summary>
/// Somebody with all rights in the database, who knows how the ledger is computed, and has neither the clinic's key nor the exported checkpoints. What
/// they do is drawn by a seed and goes through SQL, past the service.
/// </summary>
internal sealed class Intruder(TitrationDbContext database, Random random, CancellationToken cancellationToken)
{
    private static readonly string[] Tables = ["fact", "decision", "decision_content", "chain", "checkpoint", "checkpoint_head"];

    private readonly RawTables _tables = new(database, cancellationToken);

    /// <summary>The ways, by name.</summary>
    public IReadOnlyList<(string Name, Func<Task> Act)> Ways =>
    [
        ("edit of a column", EditAsync), ("edit of a column", EditAsync), ("edit of a column", EditAsync),
        ("deletion", DeleteAsync), ("insertion", InsertAsync), ("reordering of decisions", ReorderDecisionsAsync), ("reordering of facts", ReorderFactsAsync),
        ("tail truncation", TruncateAsync), ("truncation of facts", TruncateFactsAsync), ("removal of a patient", RemovePatientAsync),
        ("recomputed decisions", RecomputeDecisionsAsync), ("recomputed facts", RecomputeFactsAsync), ("pretended erasure", PretendErasureAsync),
    ];

    /// <summary>What was done last, for the report of a failure.</summary>
    public string Did { get; private set; } = "";

    private async Task EditAsync()
    {
        string table = Tables[random.Next(Tables.Length)];
        List<string> columns = [.. database.Model.GetEntityTypes().Single(t => t.GetTableName() == table).GetProperties().Select(p => p.GetColumnName())];
        string column = columns[random.Next(columns.Count)];
        string row = await RowOfAsync(table);
        object? before = (await _tables.ReadAsync($"SELECT {column} FROM {table} WHERE {_tables.Row} = @p0", row))[0][0];
        object? after = Other(before, await OtherValueAsync(table, column));
        await _tables.RunAsync($"UPDATE {table} SET {column} = @p0 WHERE {_tables.Row} = @p1", after, row);
        Did = $"{table}.{column}: {Shown(before)} to {Shown(after)}";
    }

    private async Task DeleteAsync()
    {
        string table = Tables[random.Next(Tables.Length)];
        await _tables.RunAsync($"DELETE FROM {table} WHERE {_tables.Row} = @p0", await RowOfAsync(table));
        Did = table;
    }

    private async Task InsertAsync()
    {
        // A copy under a number of its own: at the end, or in a place that was made for it.
        string table = random.Next(2) == 0 ? "fact" : "decision";
        List<string> columns = [.. database.Model.GetEntityTypes().Single(t => t.GetTableName() == table).GetProperties().Select(p => p.GetColumnName())];
        string row = await RowOfAsync(table);
        string values = string.Join(", ", columns.Select(c => c == "sequence" ? "sequence + 1000" : c == "version_id" ? "'another'" : c));
        await _tables.RunAsync($"INSERT INTO {table} ({string.Join(", ", columns)}) SELECT {values} FROM {table} WHERE {_tables.Row} = @p0", row);
        Did = table;
    }

    private async Task ReorderDecisionsAsync()
    {
        Guid chain = await ChainWithAsync(c => c.Length >= 2 && database.CheckpointHeads.Any(h => h.ChainId == c.Id && h.Length > 0));
        long length = (await database.Chains.AsNoTracking().SingleAsync(c => c.Id == chain, cancellationToken)).Length;
        long first = random.NextInt64(1, Math.Min(length, await SealedAsync(chain, h => h.Length) + 1));
        foreach (string table in (string[])["decision", "decision_content"])
        {
            await _tables.SwapAsync(table, $"chain_id = @p0", chain, first);
        }

        if (random.Next(2) == 0)
        {
            await RechainAsync(chain);
        }

        Did = $"{first} and {first + 1} of {length}";
    }

    private async Task ReorderFactsAsync()
    {
        Guid chain = await ChainWithAsync(c => c.Facts >= 2 && database.Patients.Any(p => p.ChainId == c.Id) && database.CheckpointHeads.Any(h => h.ChainId == c.Id && h.Facts > 0));
        string patient = await PatientOfAsync(chain);
        long facts = (await database.Chains.AsNoTracking().SingleAsync(c => c.Id == chain, cancellationToken)).Facts;
        long first = random.NextInt64(1, Math.Min(facts, await SealedAsync(chain, h => h.Facts) + 1));
        await _tables.SwapAsync("fact", "patient = @p0", patient, first);
        if (random.Next(2) == 0)
        {
            await RechainFactsAsync(chain);
        }

        Did = $"{first} and {first + 1}";
    }

    private async Task TruncateAsync()
    {
        Guid chain = await ChainWithAsync(c => c.Length >= 1 && database.CheckpointHeads.Any(h => h.ChainId == c.Id && h.Length > 0));
        long sealedLength = await SealedAsync(chain, h => h.Length);
        long keep = random.NextInt64(0, sealedLength);
        await _tables.RunAsync("DELETE FROM decision_content WHERE chain_id = @p0 AND sequence > @p1", _tables.Id(chain), keep);
        await _tables.RunAsync("DELETE FROM decision WHERE chain_id = @p0 AND sequence > @p1", _tables.Id(chain), keep);
        await RechainAsync(chain);
        Did = $"to {keep} of {sealedLength}";
    }

    private async Task TruncateFactsAsync()
    {
        Guid chain = await ChainWithAsync(c => c.Facts >= 1 && database.Patients.Any(p => p.ChainId == c.Id) && database.CheckpointHeads.Any(h => h.ChainId == c.Id && h.Facts > 0));
        long sealedFacts = await SealedAsync(chain, h => h.Facts);
        long keep = random.NextInt64(0, sealedFacts);
        await _tables.RunAsync("DELETE FROM fact WHERE patient = @p0 AND sequence > @p1", await PatientOfAsync(chain), keep);
        await RechainFactsAsync(chain);
        Did = $"to {keep} of {sealedFacts}";
    }

    private async Task RemovePatientAsync()
    {
        Guid chain = await ChainWithAsync(c => c.Length + c.Facts > 0);
        await RemoveRowsAsync(chain);
        foreach (string table in (string[])["decision_content", "decision", "checkpoint_head"])
        {
            await _tables.RunAsync($"DELETE FROM {table} WHERE chain_id = @p0", _tables.Id(chain));
        }

        await _tables.RunAsync("DELETE FROM chain WHERE id = @p0", _tables.Id(chain));
        await ResealAsync();
    }

    private async Task RecomputeDecisionsAsync()
    {
        Guid chain = await ChainWithAsync(c => c.Length >= 1 && database.CheckpointHeads.Any(h => h.ChainId == c.Id && h.Length > 0));
        long at = random.NextInt64(1, await SealedAsync(chain, h => h.Length) + 1);
        Did = $"decision {at}";
        await _tables.RunAsync("UPDATE decision_content SET rule = 'another' WHERE chain_id = @p0 AND sequence = @p1", _tables.Id(chain), at);
        if (await database.DecisionContents.CountAsync(c => c.ChainId == chain && c.Sequence == at, cancellationToken) == 0)
        {
            // Of an erased patient only links are left: the instant is what can be changed.
            await _tables.RunAsync($"UPDATE decision SET decided_at = decided_at + {(_tables.IsPostgres ? "interval '1 second'" : $"{TimeSpan.TicksPerSecond}")} WHERE chain_id = @p0 AND sequence = @p1", _tables.Id(chain), at);
        }

        await RechainAsync(chain);
    }

    private async Task RecomputeFactsAsync()
    {
        Guid chain = await ChainWithAsync(c => c.Facts >= 1 && database.Patients.Any(p => p.ChainId == c.Id) && database.CheckpointHeads.Any(h => h.ChainId == c.Id && h.Facts > 0));
        long at = random.NextInt64(1, await SealedAsync(chain, h => h.Facts) + 1);
        await _tables.RunAsync("UPDATE fact SET content_hash = 'another' WHERE patient = @p0 AND sequence = @p1", await PatientOfAsync(chain), at);
        await RechainFactsAsync(chain);
        Did = $"fact {at}";
    }

    private async Task PretendErasureAsync()
    {
        Guid chain = await ChainWithAsync(c => database.Patients.Any(p => p.ChainId == c.Id) && database.CheckpointHeads.Any(h => h.ChainId == c.Id));
        using LedgerKey own = LedgerKey.Create();
        string patient = await PatientOfAsync(chain);
        await database.EraseAsync(
            patient, [9], RecordedClinic.KeyMark, (_, _) => Telling.NotOfPatient, new DateTimeOffset(2027, 1, 1, 0, 0, 0, TimeSpan.Zero), random.Next(2) == 0 ? null : own, cancellationToken);
        database.ChangeTracker.Clear();
    }

    private async Task RemoveRowsAsync(Guid chain)
    {
        if (await database.Patients.AnyAsync(p => p.ChainId == chain, cancellationToken))
        {
            string patient = await PatientOfAsync(chain);
            await _tables.RunAsync("DELETE FROM fact WHERE patient = @p0", patient);
            await _tables.RunAsync("DELETE FROM patient WHERE id = @p0", patient);
        }
    }

    /// <summary>Computes all hashes of the facts anew, then those of the decisions that knew them.</summary>
    private async Task RechainFactsAsync(Guid chain)
    {
        string patient = await PatientOfAsync(chain);
        byte[] previous = new byte[32];
        long sequence = 0;
        Dictionary<long, byte[]> heads = new() { [0] = previous };
        foreach (FactRow fact in await database.Facts.AsNoTracking().Where(f => f.Patient == patient).OrderBy(f => f.Sequence).ToListAsync(cancellationToken))
        {
            previous = FactChain.HashOf(previous, chain, fact);
            sequence = fact.Sequence;
            heads[sequence] = previous;
            await _tables.RunAsync("UPDATE fact SET hash = @p0 WHERE patient = @p1 AND sequence = @p2", previous, patient, sequence);
        }

        await _tables.RunAsync("UPDATE chain SET facts = @p0, fact_head = @p1 WHERE id = @p2", sequence, previous, _tables.Id(chain));
        await _tables.RunAsync("UPDATE patient SET next_fact_sequence = @p0 WHERE id = @p1", sequence + 1, patient);
        foreach ((long at, byte[] head) in heads)
        {
            await _tables.RunAsync("UPDATE decision_content SET fact_head = @p0 WHERE chain_id = @p1 AND fact_sequence = @p2", head, _tables.Id(chain), at);
            await _tables.RunAsync("UPDATE checkpoint_head SET fact_head = @p0 WHERE chain_id = @p1 AND facts = @p2", head, _tables.Id(chain), at);
        }

        await _tables.RunAsync("UPDATE decision_content SET fact_sequence = @p0, fact_head = @p1 WHERE chain_id = @p2 AND fact_sequence > @p0", sequence, previous, _tables.Id(chain));
        await _tables.RunAsync("UPDATE checkpoint_head SET facts = @p0, fact_head = @p1 WHERE chain_id = @p2 AND facts > @p0", sequence, previous, _tables.Id(chain));
        await RechainAsync(chain);
    }

    /// <summary>Computes all hashes of the decisions anew, and the checkpoints over them.</summary>
    private async Task RechainAsync(Guid chain)
    {
        byte[] previous = new byte[32];
        long sequence = 0;
        Dictionary<long, DecisionContentRow> contents = await database.DecisionContents.AsNoTracking().Where(c => c.ChainId == chain)
            .ToDictionaryAsync(c => c.Sequence, cancellationToken);
        foreach (DecisionRow link in await database.Decisions.AsNoTracking().Where(d => d.ChainId == chain).OrderBy(d => d.Sequence).ToListAsync(cancellationToken))
        {
            byte[] digest = contents.TryGetValue(link.Sequence, out DecisionContentRow? content) ? DecisionChain.DigestOf(content) : link.ContentDigest;
            byte[] hash = DecisionChain.HashOf(previous, chain, link.Sequence, link.DecidedAt, link.PolicyHash, digest);
            await _tables.RunAsync(
                "UPDATE decision SET previous_hash = @p0, content_digest = @p1, hash = @p2 WHERE chain_id = @p3 AND sequence = @p4",
                previous, digest, hash, _tables.Id(chain), link.Sequence);
            await _tables.RunAsync("UPDATE checkpoint_head SET head = @p0 WHERE chain_id = @p1 AND length = @p2", hash, _tables.Id(chain), link.Sequence);
            (previous, sequence) = (hash, link.Sequence);
        }

        await _tables.RunAsync("UPDATE chain SET length = @p0, head = @p1 WHERE id = @p2", sequence, previous, _tables.Id(chain));
        await _tables.RunAsync("UPDATE checkpoint_head SET length = @p0, head = @p1 WHERE chain_id = @p2 AND length > @p0", sequence, previous, _tables.Id(chain));
        await ResealAsync();
    }

    /// <summary>Computes the roots anew; signatures stay, go, or are by another key.</summary>
    private async Task ResealAsync()
    {
        using LedgerKey own = LedgerKey.Create();
        int way = random.Next(3);
        byte[]? previous = null;
        foreach (CheckpointRow row in await database.Checkpoints.AsNoTracking().OrderBy(c => c.Id).ToListAsync(cancellationToken))
        {
            List<CheckpointHeadRow> heads = await database.CheckpointHeads.AsNoTracking().Where(h => h.CheckpointId == row.Id).ToListAsync(cancellationToken);
            previous = Checkpoints.RootOf(previous, row.Id, row.At, row.Decisions, row.Facts, heads);
            object? signature = way switch { 0 => row.Signature, 1 => null, _ => own.Sign(previous) };
            await _tables.RunAsync("UPDATE checkpoint SET root_hash = @p0, signature = @p1 WHERE id = @p2", previous, signature, row.Id);
        }
    }

    private async Task<Guid> ChainWithAsync(System.Linq.Expressions.Expression<Func<ChainRow, bool>> condition)
    {
        List<Guid> chains = await database.Chains.Where(condition).Where(c => database.CheckpointHeads.Any(h => h.ChainId == c.Id)).OrderBy(c => c.Id)
            .Select(c => c.Id).ToListAsync(cancellationToken);
        return chains[random.Next(chains.Count)];
    }

    private Task<long> SealedAsync(Guid chain, System.Linq.Expressions.Expression<Func<CheckpointHeadRow, long>> what) =>
        database.CheckpointHeads.Where(h => h.ChainId == chain).MaxAsync(what, cancellationToken);

    private Task<string> PatientOfAsync(Guid chain) => database.Patients.Where(p => p.ChainId == chain).Select(p => p.Id).SingleAsync(cancellationToken);

    // Only what an exported checkpoint seals: of the rest it is not said that it shows.
    private async Task<string> RowOfAsync(string table)
    {
        string where = table switch
        {
            "fact" => "sequence <= (SELECT max(facts) FROM checkpoint_head h JOIN patient p ON p.chain_id = h.chain_id WHERE p.id = fact.patient)",
            "decision" or "decision_content" => $"sequence <= (SELECT max(length) FROM checkpoint_head h WHERE h.chain_id = {table}.chain_id)",
            "chain" => "id IN (SELECT chain_id FROM checkpoint_head)",
            _ => "1 = 1",
        };
        List<object?[]> rows = await _tables.ReadAsync($"SELECT {_tables.Row} FROM {table} WHERE {where} ORDER BY 1");
        return rows[random.Next(rows.Count)][0]!.ToString()!;
    }

    private async Task<object?> OtherValueAsync(string table, string column)
    {
        List<object?[]> values = await _tables.ReadAsync($"SELECT DISTINCT {column} FROM {table} ORDER BY 1");
        return values[random.Next(values.Count)][0];
    }

    // Another row's value, or one that is a little off.
    private object? Other(object? before, object? elsewhere) => random.Next(3) == 0 && !Equal(before, elsewhere) ? elsewhere : before switch
    {
        null => elsewhere ?? (_tables.IsPostgres ? throw new NotSupportedException() : "x"),
        long number => number + (random.Next(2) == 0 ? 1 : -1 * random.Next(1, 1000)),
        DateTime instant => instant.AddTicks(TimeSpan.TicksPerMicrosecond * random.Next(1, 1_000_000)),
        Guid => Guid.NewGuid(),
        byte[] { Length: 0 } => new byte[] { 1 },
        byte[] bytes => random.Next(4) == 0 ? bytes[..^1] : Flipped(bytes),
        string text when Guid.TryParse(text, out _) => Guid.NewGuid().ToString().ToUpperInvariant(),
        string text => random.Next(2) == 0 ? text + "x" : text.Length == 0 ? "y" : text[1..],
        _ => throw new NotSupportedException(before.GetType().Name),
    };

    private byte[] Flipped(byte[] bytes)
    {
        byte[] copy = [.. bytes];
        copy[random.Next(copy.Length)] ^= (byte)(1 << random.Next(8));
        return copy;
    }

    private static bool Equal(object? left, object? right) =>
        left is byte[] a && right is byte[] b ? a.AsSpan().SequenceEqual(b) : Equals(left, right);

    private static string Shown(object? value) => value switch { null => "null", byte[] bytes => Convert.ToHexString(bytes[..Math.Min(8, bytes.Length)]), _ => $"{value}" };
}
