namespace Titration.Worker.Configuration;

/// <summary>The configuration section <c>Titration</c>. Without any of it everything runs on embedded parts.</summary>
public sealed class TitrationOptions
{
    /// <summary>The section's name; in environment variables <c>Titration__Broker__Uri</c> and so on.</summary>
    public const string Section = "Titration";

    /// <summary>Folder for what the embedded parts keep. Default: <c>data</c> below the current folder.</summary>
    public string DataFolder { get; init; } = "data";

    /// <summary><c>shadow</c>, <c>live</c> (default) or <c>paused</c> at the first start; from then on <c>titration mode set</c> changes it.</summary>
    public string Mode { get; init; } = "live";

    public RampInOptions RampIn { get; init; } = new();

    public BrokerOptions Broker { get; init; } = new();

    public DatabaseSettings Database { get; init; } = new();

    public FhirServerOptions FhirServer { get; init; } = new();

    public FileSetting Protocol { get; init; } = new();

    public FileSetting Mapping { get; init; } = new();

    public FolderSetting Wording { get; init; } = new();

    public ClinicOptions Clinic { get; init; } = new();

    public PatientMessageOptions PatientMessages { get; init; } = new();

    public HealthOptions Health { get; init; } = new();

    public InboundOptions Inbound { get; init; } = new();

    public StatusOptions Status { get; init; } = new();

    public SweepOptions Sweep { get; init; } = new();

    public RetentionOptions Retention { get; init; } = new();

    public PrivacyOptions Privacy { get; init; } = new();

    public LedgerOptions Ledger { get; init; } = new();

    public AlertOptions Alerts { get; init; } = new();

    /// <summary>Whether the message broker and so the inbound HTTP endpoint are the embedded ones.</summary>
    public bool EmbeddedBroker => string.IsNullOrWhiteSpace(Broker.Uri);

    public bool EmbeddedFhirServer => string.IsNullOrWhiteSpace(FhirServer.BaseUrl);
}

/// <summary>The time after going live, when a whole caseload comes to proposals at once.</summary>
public sealed class RampInOptions
{
    /// <summary>Step proposals that leave in one clinic-local day, those that make treatment gentler not counted: they never wait. Default: 20. 0: no limit.</summary>
    public int ProposalsPerDay { get; init; } = 20;

    /// <summary>Clinic-local days from the day of going live for which the limit holds. Default: 28.</summary>
    public int Days { get; init; } = 28;
}

/// <summary>The message broker.</summary>
public sealed class BrokerOptions
{
    /// <summary><c>amqp://</c> or <c>amqps://</c> with user and virtual host; empty: messages travel in memory.</summary>
    public string Uri { get; init; } = "";

    /// <summary>Messages taken in at once. Default: 128.</summary>
    public int Prefetch { get; init; } = 128;

    public TlsOptions Tls { get; init; } = new();

    /// <summary>Lets everything travel unencrypted, the password included, to a broker on another machine. Warned about at each start.</summary>
    public bool DangerouslyAllowPlainAmqp { get; init; }
}

/// <summary>The database.</summary>
public sealed class DatabaseSettings
{
    /// <summary><c>sqlite</c> (default) or <c>postgres</c>.</summary>
    public string Provider { get; init; } = "sqlite";

    /// <summary>Empty with SQLite: <c>titration.db</c> in the data folder.</summary>
    public string ConnectionString { get; init; } = "";
}

/// <summary>The clinic's FHIR server.</summary>
public sealed class FhirServerOptions
{
    /// <summary>Base address, such as <c>https://fhir.clinic.example.org/r4</c>; empty: the embedded endpoint.</summary>
    public string BaseUrl { get; init; } = "";

    /// <summary>Seconds for one request. Default: 30.</summary>
    public int TimeoutSeconds { get; init; } = 30;

    /// <summary>
    /// Seconds between two looks at what has changed on the server, for one that sends no messages and has no subscriptions. 0 (default): it is not polled.
    /// </summary>
    public int PollSeconds { get; init; }

    /// <summary><c>none</c> (default), <c>bearer</c> or <c>smart</c>.</summary>
    public string Auth { get; init; } = "none";

    /// <summary>With <c>bearer</c>: the file that holds the token; read for each request, so that it can be replaced at any time.</summary>
    public string TokenFile { get; init; } = "";

    public SmartOptions Smart { get; init; } = new();

    public TlsOptions Tls { get; init; } = new();

    /// <summary>Lets everything travel unencrypted, tokens included, to a FHIR server on another machine. Warned about at each start.</summary>
    public bool DangerouslyAllowPlainHttp { get; init; }
}

/// <summary>A file of the clinic's.</summary>
public sealed class FileSetting
{
    /// <summary>Path; empty: the one that comes with the service (protocol), or none (mapping).</summary>
    public string File { get; init; } = "";
}

/// <summary>A folder of the clinic's.</summary>
public sealed class FolderSetting
{
    /// <summary>Path; empty: only what comes with the service.</summary>
    public string Folder { get; init; } = "";
}

/// <summary>The clinic.</summary>
public sealed class ClinicOptions
{
    /// <summary>IANA time zone whose calendar counts. Default: UTC.</summary>
    public string TimeZone { get; init; } = "UTC";

    /// <summary>
    /// <c>all</c> (default): every patient with a course is followed; <c>enrolled</c>: those for whom a clinician's <c>follow-up</c> observation says so. Part of
    /// the policy: it changes with <c>titration protocol adopt</c>.
    /// </summary>
    public string Follow { get; init; } = "all";

    /// <summary>What patients call the clinic.</summary>
    public string Name { get; init; } = "the clinic";

    /// <summary>Reference to the clinic, <c>Organization/id</c>.</summary>
    public string Organization { get; init; } = "Organization/clinic";

    /// <summary>Reference to the owner of tasks that no prescriber owns; empty: the organization.</summary>
    public string Pool { get; init; } = "";

    /// <summary>Language of the clinic's staff, BCP 47. Default: en.</summary>
    public string Language { get; init; } = "en";

    /// <summary>Days of the week on which nobody works through tasks, in English, separated by commas; empty: none.</summary>
    public string ClosedWeekdays { get; init; } = "";

    /// <summary>Dates on which nobody does, such as <c>2026-12-25</c>, separated by commas; empty: none.</summary>
    public string ClosedDates { get; init; } = "";
}

/// <summary>When messages may reach a patient. Those that stop treatment or make it gentler never wait.</summary>
public sealed class PatientMessageOptions
{
    /// <summary>Clinic-local time from which no message leaves. Default: 21:00. The same as <see cref="QuietUntil"/>: no quiet hours.</summary>
    public TimeOnly QuietFrom { get; init; } = new(21, 0);

    /// <summary>Clinic-local time from which messages leave again. Default: 08:00.</summary>
    public TimeOnly QuietUntil { get; init; } = new(8, 0);

    /// <summary>Messages to one patient in one clinic-local day. Default: 1.</summary>
    public int MostPerDay { get; init; } = 1;
}

/// <summary>Where the worker listens.</summary>
public sealed class HealthOptions
{
    /// <summary>TCP port. Default: 8088. 0: any free one.</summary>
    public int Port { get; init; } = 8088;
}

/// <summary>The status page. On this machine it is there for whoever may use the machine.</summary>
public sealed class StatusOptions
{
    /// <summary>
    /// File with the secret that opens the page from other machines, at the HTTPS port of the inbound endpoint; empty: it is shown on this machine only.
    /// </summary>
    public string TokenFile { get; init; } = "";
}

/// <summary>Looking at courses whose time has come.</summary>
public sealed class SweepOptions
{
    /// <summary>Seconds between two sweeps. Default: 15.</summary>
    public int EverySeconds { get; init; } = 15;
}

/// <summary>How long what was set aside is kept.</summary>
public sealed class RetentionOptions
{
    /// <summary>Days for which a message stays in quarantine after it came last. Default: 90.</summary>
    public int QuarantineDays { get; init; } = 90;
}

/// <summary>Secrets that keep patients from being recognised.</summary>
public sealed class PrivacyOptions
{
    /// <summary>Shortest <see cref="Key"/>, characters: guessing it must be hopeless.</summary>
    public const int ShortestKey = 32;

    /// <summary>
    /// The clinic's key for the marks that erased patients leave; for a secret file. With another key the marks say nothing any more: it is
    /// never changed. Empty: no patient can be erased.
    /// </summary>
    public string Key { get; init; } = "";
}

/// <summary>Sealing the record of decisions.</summary>
public sealed class LedgerOptions
{
    /// <summary>
    /// PEM file of the clinic's private key (ECDSA P-256 or RSA) that signs checkpoints, erasures and exports. Empty: with SQLite one is made in the data
    /// folder; with PostgreSQL nothing is signed.
    /// </summary>
    public string KeyFile { get; init; } = "";

    /// <summary>Folder that checkpoints leave the database to; empty: <c>checkpoints</c> in the data folder.</summary>
    public string CheckpointFolder { get; init; } = "";

    /// <summary>Minutes between two checkpoints; without anything new there is none. Default: 60.</summary>
    public int CheckpointMinutes { get; init; } = 60;
}

/// <summary>Who is told beside the log.</summary>
public sealed class AlertOptions
{
    /// <summary>Address that gets a POST when an emergency message is not confirmed within 5 minutes; empty: none.</summary>
    public string Webhook { get; init; } = "";
}
