using System.Text;
using Titration.Storage.Ledger;
using Titration.Worker.Access;

namespace Titration.Worker.Configuration;

/// <summary>The clinic's ledger key and where checkpoints go.</summary>
/// <param name="Key">Signs checkpoints, erasures and exports; null: the clinic has none, and they stay unsigned.</param>
/// <param name="KeyFile">Where the key is, or where the embedded mode makes it; null: nowhere.</param>
/// <param name="Folder">Where checkpoints leave the database to.</param>
public sealed record LedgerSettings(LedgerKey? Key, string? KeyFile, CheckpointFolder Folder)
{
    private const string OwnKey = "ledger-key.pem";

    /// <summary>Reads the key, where there is one. Every problem goes to <paramref name="problems"/>.</summary>
    public static LedgerSettings From(TitrationOptions options, ICollection<string> problems)
    {
        string? file = options.Ledger.KeyFile.Length > 0
            ? options.Ledger.KeyFile
            : options.Database.Provider == "sqlite" ? Path.Combine(options.DataFolder, OwnKey) : null;
        bool isThere = file is not null && (options.Ledger.KeyFile.Length > 0 || File.Exists(file));
        return new LedgerSettings(isThere ? ReadPrivate(file!, problems) : null, file, FolderOf(options));
    }

    /// <summary>Where checkpoints leave the database to.</summary>
    public static CheckpointFolder FolderOf(TitrationOptions options) =>
        new(options.Ledger.CheckpointFolder.Length > 0 ? options.Ledger.CheckpointFolder : Path.Combine(options.DataFolder, "checkpoints"));

    /// <summary>The same with a key of its own, made and kept in the data folder, where the embedded database has none.</summary>
    /// <exception cref="IOException">The folder cannot be written to.</exception>
    /// <exception cref="UnauthorizedAccessException">The folder may not be written to.</exception>
    public LedgerSettings WithOwnKey()
    {
        if (Key is not null || KeyFile is null)
        {
            return this;
        }

        LedgerKey key = LedgerKey.Create();
        FileStreamOptions onlyOurs = new() { Mode = FileMode.CreateNew, Access = FileAccess.Write };
        if (!OperatingSystem.IsWindows())
        {
            onlyOurs.UnixCreateMode = UnixFileMode.UserRead | UnixFileMode.UserWrite;
        }

        using FileStream file = new(KeyFile, onlyOurs);
        file.Write(Encoding.ASCII.GetBytes(key.ExportPrivatePem()));
        return this with { Key = key };
    }

    /// <summary>Reads a private or a public key. What is wrong goes to <paramref name="problems"/>; null then.</summary>
    public static LedgerKey? Read(string file, string setting, ICollection<string> problems)
    {
        try
        {
            LedgerKey? key = LedgerKey.Read(Encoding.UTF8.GetString(BoundedFile.Read(file, BoundedFile.SecretBytes)), out string? problem);
            if (problem is not null)
            {
                problems.Add($"{setting}: \"{file}\" {problem}");
            }

            return key;
        }
        catch (Exception problem) when (problem is IOException or UnauthorizedAccessException)
        {
            problems.Add($"{setting}: cannot read \"{file}\": {problem.Message}");
            return null;
        }
    }

    private static LedgerKey? ReadPrivate(string file, ICollection<string> problems)
    {
        LedgerKey? key = Read(file, "Titration:Ledger:KeyFile", problems);
        if (key is { Signs: false })
        {
            problems.Add($"Titration:Ledger:KeyFile: \"{file}\" holds the public half of a key; the private one signs");
        }

        return key;
    }
}
