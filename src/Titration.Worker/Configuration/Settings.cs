using System.Reflection;
using Microsoft.Data.Sqlite;
using Npgsql;
using Titration.Fhir.Writing;
using Titration.Protocol.Communications;
using Titration.Protocol.Courses;
using Titration.Protocol.Facts;
using Titration.Storage;
using Titration.Storage.Model;

namespace Titration.Worker.Configuration;

/// <summary>The configuration after it was found to be right: nothing downstream asks again.</summary>
public sealed record Settings
{
    public required TitrationOptions Options { get; init; }

    public required ClinicPolicy Policy { get; init; }

    public required ClinicIdentity Clinic { get; init; }

    public required DatabaseOptions Database { get; init; }

    public required SecuritySettings Security { get; init; }

    public required LedgerSettings Ledger { get; init; }

    /// <summary>When messages may reach a patient.</summary>
    public MessageHours Messages => new(Options.PatientMessages.QuietFrom, Options.PatientMessages.QuietUntil, Options.PatientMessages.MostPerDay);

    /// <summary>The mode at the first start.</summary>
    public required OperatingMode InitialMode { get; init; }

    /// <summary>Keyed hashes of patients' ids; null where the clinic has no key.</summary>
    public PatientMarks? Marks { get; init; }

    /// <summary>Checks everything and reports all problems at once; nothing is started half.</summary>
    /// <returns>Null where <paramref name="problems"/> has any.</returns>
    public static Settings? From(IConfiguration configuration, ICollection<string> problems)
    {
        TitrationOptions? options = Bind(configuration, problems);
        if (options is null)
        {
            return null;
        }

        CheckAddresses(options, problems);
        CheckPrivacy(options, problems);
        SecuritySettings? security = SecuritySettings.From(options, problems);
        LedgerSettings ledger = LedgerSettings.From(options, problems);
        ClinicPolicy? policy = PolicyOf(options, problems);
        DatabaseOptions? database = DatabaseOf(options, problems);
        OperatingMode? mode = EnumCode.Parse<OperatingMode>(options.Mode);
        if (mode is null)
        {
            problems.Add($"Titration:Mode: \"{options.Mode}\" is none of shadow, live, paused");
        }

        ClinicCalendar? calendar = CalendarReading.Of(options.Clinic, problems);
        string pool = options.Clinic.Pool.Length == 0 ? options.Clinic.Organization : options.Clinic.Pool;
        CheckReference("Titration:Clinic:Organization", options.Clinic.Organization, ["Organization"], problems);
        CheckReference("Titration:Clinic:Pool", pool, ["Organization", "CareTeam", "HealthcareService"], problems);
        return problems.Count > 0 || policy is null || database is null || security is null || mode is null || calendar is null
            ? null
            : new Settings
            {
                Options = options,
                Policy = policy,
                Database = database,
                Security = security,
                InitialMode = mode.Value,
                Marks = MarksOf(options),
                Ledger = ledger,
                Clinic = new ClinicIdentity
                {
                    Organization = options.Clinic.Organization,
                    Pool = pool,
                    Name = options.Clinic.Name,
                    DeviceId = "titration-service",
                    Deployment = options.Clinic.Organization.Replace('/', '-').ToLowerInvariant(),
                    Zone = policy.Zone,
                    Calendar = calendar,
                    Language = options.Clinic.Language,
                },
            };
    }

    /// <summary>
    /// For commands that use the database and the broker alone: nothing else has to be right, or readable, where they run.
    /// </summary>
    /// <returns>Null where <paramref name="problems"/> has any.</returns>
    internal static RecordSettings? RecordsFrom(IConfiguration configuration, ICollection<string> problems)
    {
        if (Bind(configuration, problems) is not { } options)
        {
            return null;
        }

        CheckPrivacy(options, problems);
        return DatabaseOf(options, problems) is { } database && problems.Count == 0 ? new RecordSettings(options, database, MarksOf(options)) : null;
    }

    /// <summary>For commands that explain what is recorded: the policy's files have to be right, and nothing else.</summary>
    /// <returns>Null where <paramref name="problems"/> has any.</returns>
    internal static ClinicPolicy? PolicyFrom(IConfiguration configuration, ICollection<string> problems)
    {
        if (Bind(configuration, problems) is not { } options)
        {
            return null;
        }

        ClinicPolicy? policy = PolicyOf(options, problems);
        return problems.Count == 0 ? policy : null;
    }

    private static ClinicPolicy? PolicyOf(TitrationOptions options, ICollection<string> problems)
    {
        TimeZoneInfo? zone = ZoneOf(options.Clinic.TimeZone, problems);
        Following? follow = EnumCode.Parse<Following>(options.Clinic.Follow);
        if (follow is null)
        {
            problems.Add($"Titration:Clinic:Follow: \"{options.Clinic.Follow}\" is neither all nor enrolled");
        }

        return ClinicPolicy.Load(options.Protocol.File, options.Mapping.File, options.Wording.Folder, zone ?? TimeZoneInfo.Utc, problems, follow ?? Following.All);
    }

    private static PatientMarks? MarksOf(TitrationOptions options) => options.Privacy.Key.Length == 0 ? null : new PatientMarks(options.Privacy.Key);

    private static TitrationOptions? Bind(IConfiguration configuration, ICollection<string> problems)
    {
        IConfigurationSection section = configuration.GetSection(TitrationOptions.Section);
        CheckKnown(section, typeof(TitrationOptions), problems);
        try
        {
            return section.Get<TitrationOptions>() ?? new TitrationOptions();
        }
        catch (InvalidOperationException problem)
        {
            problems.Add($"{TitrationOptions.Section}: {problem.Message}{(problem.InnerException is { } inner ? $" {inner.Message}" : "")}");
            return null;
        }
    }

    /// <summary>A misspelt setting must not mean "default".</summary>
    private static void CheckKnown(IConfigurationSection section, Type options, ICollection<string> problems)
    {
        foreach (IConfigurationSection child in section.GetChildren())
        {
            PropertyInfo? property = options.GetProperties().FirstOrDefault(p => p.CanWrite && p.Name.Equals(child.Key, StringComparison.OrdinalIgnoreCase));
            if (property is null)
            {
                problems.Add($"{child.Path}: there is no such setting; README.md lists those there are");
            }
            else if (property.PropertyType is { IsClass: true } nested && nested != typeof(string))
            {
                CheckKnown(child, nested, problems);
            }
        }
    }

    private static void CheckAddresses(TitrationOptions options, ICollection<string> problems)
    {
        if (!options.EmbeddedBroker && (!Uri.TryCreate(options.Broker.Uri, UriKind.Absolute, out Uri? broker) || broker.Scheme is not ("amqp" or "amqps")))
        {
            problems.Add("Titration:Broker:Uri: is no amqp:// or amqps:// address; leave it empty for messages in memory");
        }

        if (!options.EmbeddedFhirServer && (!Uri.TryCreate(options.FhirServer.BaseUrl, UriKind.Absolute, out Uri? server) || server.Scheme is not ("http" or "https")))
        {
            problems.Add("Titration:FhirServer:BaseUrl: is no http:// or https:// address; leave it empty for the embedded endpoint");
        }

        CheckRange("Titration:Broker:Prefetch", options.Broker.Prefetch, 1, 1000, problems);
        CheckRange("Titration:FhirServer:TimeoutSeconds", options.FhirServer.TimeoutSeconds, 1, 600, problems);
        CheckRange("Titration:FhirServer:PollSeconds", options.FhirServer.PollSeconds, 0, 86_400, problems);
        CheckRange("Titration:PatientMessages:MostPerDay", options.PatientMessages.MostPerDay, 1, 10, problems);
        CheckRange("Titration:RampIn:ProposalsPerDay", options.RampIn.ProposalsPerDay, 0, 10_000, problems);
        CheckRange("Titration:RampIn:Days", options.RampIn.Days, 0, 366, problems);
        CheckRange("Titration:Health:Port", options.Health.Port, 0, 65535, problems);
        CheckRange("Titration:Inbound:Port", options.Inbound.Port, 0, 65535, problems);
        CheckRange("Titration:Sweep:EverySeconds", options.Sweep.EverySeconds, 1, 3600, problems);
        CheckRange("Titration:Ledger:CheckpointMinutes", options.Ledger.CheckpointMinutes, 1, 7 * 24 * 60, problems);
        CheckRange("Titration:Retention:QuarantineDays", options.Retention.QuarantineDays, 1, 3650, problems);
        if (options.Alerts.Webhook.Length > 0
            && !(Uri.TryCreate(options.Alerts.Webhook, UriKind.Absolute, out Uri? webhook) && new TransportRules(allowPlainHttp: false).Allows(webhook)))
        {
            problems.Add("Titration:Alerts:Webhook: is no https:// address; leave it empty for none");
        }

        if (string.IsNullOrWhiteSpace(options.DataFolder))
        {
            problems.Add("Titration:DataFolder: is empty; name a folder that the service may write to");
        }
    }

    private static void CheckPrivacy(TitrationOptions options, ICollection<string> problems)
    {
        if (options.Privacy.Key.Length is > 0 and < PrivacyOptions.ShortestKey)
        {
            problems.Add($"Titration:Privacy:Key: has {options.Privacy.Key.Length} characters, and needs {PrivacyOptions.ShortestKey} or more");
        }
    }

    private static void CheckRange(string setting, int value, int least, int most, ICollection<string> problems)
    {
        if (value < least || value > most)
        {
            problems.Add($"{setting}: {value} is not between {least} and {most}");
        }
    }

    private static TimeZoneInfo? ZoneOf(string id, ICollection<string> problems)
    {
        if (TimeZoneInfo.TryFindSystemTimeZoneById(id, out TimeZoneInfo? zone))
        {
            return zone;
        }

        problems.Add($"Titration:Clinic:TimeZone: \"{id}\" is not a time zone known here; use an IANA name such as Europe/London");
        return null;
    }

    private static DatabaseOptions? DatabaseOf(TitrationOptions options, ICollection<string> problems)
    {
        string connection = options.Database.ConnectionString;
        try
        {
            switch (options.Database.Provider)
            {
                case "sqlite":
                    string file = connection.Length == 0
                        ? new SqliteConnectionStringBuilder { DataSource = Path.Combine(options.DataFolder, "titration.db") }.ConnectionString
                        : new SqliteConnectionStringBuilder(connection).ConnectionString;
                    return new DatabaseOptions { Provider = DatabaseProvider.Sqlite, ConnectionString = file };
                case "postgres" when connection.Length > 0:
                    return new DatabaseOptions { Provider = DatabaseProvider.Postgres, ConnectionString = TransportRules.Secured(new NpgsqlConnectionStringBuilder(connection), problems) };
                case "postgres":
                    problems.Add("Titration:Database:ConnectionString: is needed with the provider postgres, such as Host=db;Database=titration;Username=titration");
                    return null;
                default:
                    problems.Add($"Titration:Database:Provider: \"{options.Database.Provider}\" is neither sqlite nor postgres");
                    return null;
            }
        }
        catch (ArgumentException)
        {
            // The message would quote the string, and with it a password.
            problems.Add($"Titration:Database:ConnectionString: is no connection string of {options.Database.Provider}");
            return null;
        }
    }

    private static void CheckReference(string setting, string reference, ReadOnlySpan<string> types, ICollection<string> problems)
    {
        string[] parts = reference.Split('/');
        if (parts.Length != 2 || !types.Contains(parts[0]) || parts[1].Length is 0 or > 64)
        {
            problems.Add($"{setting}: \"{reference}\" is no reference to one of {string.Join(", ", types.ToArray())}, such as {types[0]}/clinic");
        }
    }
}

/// <summary>What a command needs that works on what is recorded.</summary>
/// <param name="Options">As configured; only the privacy key was checked.</param>
/// <param name="Database">Checked.</param>
/// <param name="Marks">Keyed hashes of patients' ids; null where the clinic has no key.</param>
internal sealed record RecordSettings(TitrationOptions Options, DatabaseOptions Database, PatientMarks? Marks);
