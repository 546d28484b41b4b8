using Titration.Worker.Configuration;

namespace Titration.Worker.Commands;

/// <summary>Settings for a command: file, environment, then what the command line says.</summary>
internal static class CommandSettings
{
    /// <summary>Where container engines mount secrets: a file's name is the setting's, such as <c>Titration__Broker__Uri</c>.</summary>
    public const string SecretsFolder = "/run/secrets";

    /// <summary>Reads and checks them. Every problem is printed, a line each; null where there is one.</summary>
    public static Settings? Load(params IEnumerable<(string Key, string? Value)> overrides)
    {
        List<string> problems = [];
        Settings? settings = Settings.From(Read(overrides), problems);
        Print(problems);
        return settings;
    }

    /// <summary>Reads and checks them; every problem goes to <paramref name="problems"/>, and null is returned where there is one.</summary>
    public static Settings? Find(ICollection<string> problems) => Settings.From(Read([]), problems);

    /// <summary>Those of a command that uses what is recorded and nothing else. Problems as with <see cref="Load"/>.</summary>
    public static RecordSettings? LoadRecords()
    {
        List<string> problems = [];
        RecordSettings? settings = Settings.RecordsFrom(Read([]), problems);
        Print(problems);
        return settings;
    }

    /// <summary>The clinic's policy alone, for a command that explains what is recorded. Problems as with <see cref="Load"/>.</summary>
    public static ClinicPolicy? LoadPolicy()
    {
        List<string> problems = [];
        ClinicPolicy? policy = Settings.PolicyFrom(Read([]), problems);
        Print(problems);
        return policy;
    }

    /// <summary>The clinic's protocol file by the settings alone; empty: the one that comes with the service.</summary>
    public static string ProtocolFile() => Read([])[$"{TitrationOptions.Section}:Protocol:File"] ?? "";

    /// <summary>Whether the environment holds a setting: it outranks files.</summary>
    public static bool IsInEnvironment(params ReadOnlySpan<string> path) =>
        new ConfigurationBuilder().AddEnvironmentVariables().Build()[string.Join(':', [TitrationOptions.Section, .. path])] is { Length: > 0 };

    private static void Print(List<string> problems)
    {
        foreach (string problem in problems)
        {
            Console.Error.WriteLine($"titration: {problem}");
        }
    }

    private static IConfigurationRoot Read(IEnumerable<(string Key, string? Value)> overrides) => new ConfigurationBuilder()
        .AddJsonFile(Path.Combine(Directory.GetCurrentDirectory(), "appsettings.json"), optional: true)
        .AddKeyPerFile(SecretsFolder, optional: true)
        .AddEnvironmentVariables()
        .AddInMemoryCollection(overrides.Where(o => o.Value is not null).Select(o => KeyValuePair.Create($"{TitrationOptions.Section}:{o.Key}", o.Value)))
        .Build();
}
