using Microsoft.Data.Sqlite;
using Titration.TestKit;
using Xunit;

namespace Titration.Worker.Tests.Ledger;

/// <summary>Half a year of an invented clinic of 40, played once, and what the service kept of it: for all tests that look at a record of some size.</summary>
public sealed class PlayedClinic : IAsyncLifetime
{
    private readonly string _folder = Directory.CreateTempSubdirectory("titration-played-").FullName;

    /// <summary>What the demo said.</summary>
    public CommandOutput Demo { get; private set; } = null!;

    /// <summary>The service's data folder.</summary>
    public string Data => Path.Combine(_folder, "data");

    public async ValueTask InitializeAsync() => Demo = await TitrationProcess.RunAsync(
        _folder, input: null, new Dictionary<string, string>(StringComparer.Ordinal), ["demo", "--patients", "40", "--days", "182", "--data", "data"], CancellationToken.None);

    /// <summary>Runs a command on the data, or on a copy of it.</summary>
    public Task<CommandOutput> RunAsync(string data, (string Name, string Value)[] environment, params string[] arguments) => TitrationProcess.RunAsync(
        _folder, input: null,
        new Dictionary<string, string>(environment.Select(e => KeyValuePair.Create(e.Name, e.Value)), StringComparer.Ordinal) { ["Titration__DataFolder"] = data },
        arguments, CancellationToken.None);

    /// <summary>A copy of the data that a test may change, without the embedded FHIR server.</summary>
    public string Copy(string name)
    {
        SqliteConnection.ClearAllPools();
        string copy = Directory.CreateDirectory(Path.Combine(_folder, name)).FullName;
        foreach (string file in Directory.GetFiles(Data, "*", SearchOption.AllDirectories).Where(f => !Path.GetFileName(f).StartsWith("fhir.db", StringComparison.Ordinal)))
        {
            string target = Path.Combine(copy, Path.GetRelativePath(Data, file));
            Directory.CreateDirectory(Path.GetDirectoryName(target)!);
            File.Copy(file, target);
        }

        return copy;
    }

    /// <summary>Changes a copy's database behind the service's back.</summary>
    public static async Task ExecuteAsync(string data, string sql)
    {
        await using SqliteConnection connection = new($"Data Source={Path.Combine(data, "titration.db")};Pooling=False");
        await connection.OpenAsync(CancellationToken.None);
        await using SqliteCommand command = connection.CreateCommand();
        command.CommandText = sql;
        Assert.NotEqual(0, await command.ExecuteNonQueryAsync(CancellationToken.None));
    }

    public ValueTask DisposeAsync()
    {
        SqliteConnection.ClearAllPools();
        Directory.Delete(_folder, recursive: true);
        return ValueTask.CompletedTask;
    }
}

/// <summary>The tests that share it.</summary>
[CollectionDefinition(Name)]
public sealed class PlayedClinicTests : ICollectionFixture<PlayedClinic>
{
    public const string Name = "played clinic";
}
