using System.Globalization;
using System.Text.Json;
using Titration.Storage.Model;

namespace Titration.Storage.Ledger;

/// <summary>An exported checkpoint as it stands in its file.</summary>
/// <param name="PreviousRoot">The root of the checkpoint before; null: there was none.</param>
public sealed record ExportedCheckpoint(CheckpointRow Row, byte[]? PreviousRoot, IReadOnlyList<CheckpointHeadRow> Heads);

/// <summary>
/// The checkpoints outside of the database: a file for each, written once, and the public keys that verify them. They name nobody, so that they can be kept
/// anywhere. First line of a file: the checkpoint; after it a line for each chain that had grown.
/// </summary>
public sealed class CheckpointFolder(string path)
{
    private const string Prefix = "checkpoint-";
    private const string Suffix = ".ndjson";

    public string Path => path;

    /// <summary>The file's name.</summary>
    public static string NameOf(long checkpoint) => string.Create(CultureInfo.InvariantCulture, $"{Prefix}{checkpoint:D8}{Suffix}");

    /// <summary>The numbers of those that are there, in their order.</summary>
    public IReadOnlyList<long> Numbers() => Directory.Exists(path)
        ? [.. Directory.EnumerateFiles(path, $"{Prefix}*{Suffix}").Select(file => NumberOf(System.IO.Path.GetFileName(file))).OfType<long>().Order()]
        : [];

    /// <summary>Whether a checkpoint is there.</summary>
    public bool Has(long checkpoint) => File.Exists(System.IO.Path.Combine(path, NameOf(checkpoint)));

    /// <summary>The newest that is there; 0 where there is none, or none to be seen.</summary>
    public long Newest()
    {
        try
        {
            return Numbers() is [.., var newest] ? newest : 0;
        }
        catch (Exception problem) when (problem is IOException or UnauthorizedAccessException)
        {
            return 0;
        }
    }

    /// <summary>Writes a checkpoint; what is there under its number stays as it is.</summary>
    /// <exception cref="IOException">The folder cannot be written to.</exception>
    /// <exception cref="UnauthorizedAccessException">The folder may not be written to.</exception>
    public async Task WriteAsync(Checkpoint checkpoint, byte[]? previousRoot, CancellationToken cancellationToken)
    {
        Directory.CreateDirectory(path);
        string file = System.IO.Path.Combine(path, NameOf(checkpoint.Row.Id));
        if (File.Exists(file))
        {
            return;
        }

        // Under its name only once it is whole: who copies the folder copies no half of one.
        string unfinished = $"{file}.{Guid.CreateVersion7():N}.tmp";
        await using (StreamWriter writer = new(unfinished) { NewLine = "\n" })
        {
            await writer.WriteLineAsync(JsonSerializer.Serialize(CheckpointLine.Of(checkpoint.Row, previousRoot), JsonSerializerOptions.Web));
            foreach (CheckpointHeadRow head in checkpoint.Heads.OrderBy(h => h.ChainId.ToString("N"), StringComparer.Ordinal))
            {
                cancellationToken.ThrowIfCancellationRequested();
                await writer.WriteLineAsync(JsonSerializer.Serialize(HeadLine.Of(head), JsonSerializerOptions.Web));
            }
        }

        File.Move(unfinished, file, overwrite: true);
    }

    /// <summary>Writes the public key beside the checkpoints.</summary>
    public async Task WriteKeyAsync(LedgerKey key, CancellationToken cancellationToken)
    {
        Directory.CreateDirectory(path);
        string file = System.IO.Path.Combine(path, $"public-key-{key.Fingerprint[..16]}.pem");
        if (!File.Exists(file))
        {
            await File.WriteAllTextAsync(file, key.PublicPem, cancellationToken);
        }
    }

    /// <summary>The public keys that lie there. Whoever can write to the folder can put one there: compare the fingerprints.</summary>
    public IReadOnlyList<LedgerKey> ReadKeys() => Directory.Exists(path)
        ? [.. Directory.EnumerateFiles(path, "*.pem").Order(StringComparer.Ordinal).Select(file => LedgerKey.Read(File.ReadAllText(file), out _)).OfType<LedgerKey>()]
        : [];

    /// <summary>Reads a checkpoint; null where the file is not what <see cref="WriteAsync"/> writes.</summary>
    public async Task<ExportedCheckpoint?> ReadAsync(long number, CancellationToken cancellationToken)
    {
        try
        {
            using StreamReader reader = new(System.IO.Path.Combine(path, NameOf(number)));
            string first = await reader.ReadLineAsync(cancellationToken) ?? "";
            CheckpointLine line = JsonSerializer.Deserialize<CheckpointLine>(first, JsonSerializerOptions.Web)!;
            List<CheckpointHeadRow> heads = [];
            while (await reader.ReadLineAsync(cancellationToken) is { } text)
            {
                heads.Add(JsonSerializer.Deserialize<HeadLine>(text, JsonSerializerOptions.Web)!.ToRow(line.Checkpoint));
            }

            return line.Checkpoint == number ? new ExportedCheckpoint(line.ToRow(), line.PreviousRoot is { } root ? Convert.FromHexString(root) : null, heads) : null;
        }
        catch (Exception problem) when (problem is JsonException or FormatException or ArgumentException or NullReferenceException)
        {
            return null;
        }
    }

    private static long? NumberOf(string name) =>
        long.TryParse(name.AsSpan()[Prefix.Length..^Suffix.Length], NumberStyles.None, CultureInfo.InvariantCulture, out long number) ? number : null;

    private sealed record CheckpointLine(long Checkpoint, DateTimeOffset At, string? PreviousRoot, string Root, long Decisions, long Facts, byte[]? Signature)
    {
        public static CheckpointLine Of(CheckpointRow row, byte[]? previousRoot) => new(
            row.Id, row.At, previousRoot is null ? null : Convert.ToHexStringLower(previousRoot), Convert.ToHexStringLower(row.RootHash), row.Decisions, row.Facts, row.Signature);

        public CheckpointRow ToRow() =>
            new() { Id = Checkpoint, At = At, RootHash = Convert.FromHexString(Root), Signature = Signature, Decisions = Decisions, Facts = Facts };
    }

    private sealed record HeadLine(Guid Chain, long Length, string Head, long Facts, string FactHead)
    {
        public static HeadLine Of(CheckpointHeadRow row) =>
            new(row.ChainId, row.Length, Convert.ToHexStringLower(row.Head), row.Facts, Convert.ToHexStringLower(row.FactHead));

        public CheckpointHeadRow ToRow(long checkpoint) => new()
        {
            ChainId = Chain,
            Length = Length,
            Head = Convert.FromHexString(Head),
            Facts = Facts,
            FactHead = Convert.FromHexString(FactHead),
            CheckpointId = checkpoint,
        };
    }
}
