using System.Collections.Immutable;
using System.Security.Cryptography.X509Certificates;
using Titration.Fhir.Writing;
using Titration.Protocol.Courses;
using Titration.Protocol.Definitions;
using Titration.Worker.Commands;
using Titration.Worker.Configuration;

namespace Titration.Worker.Checking;

/// <summary>What can be seen without asking anybody: what was decided in advance, and the machine.</summary>
internal static class SurroundingsCheck
{
    private const long Gibibyte = 1024 * 1024 * 1024;

    /// <summary>An embedded database of 300 patients takes some 30 MB in half a year.</summary>
    private const long LeastFree = Gibibyte / 10;

    private const int CertificateDays = 30;

    public static ImmutableArray<CheckRow> Of(Settings settings) =>
    [
        .. settings.Security.Warnings.Select(w => CheckRow.Warning("encryption", w, "Use TLS, and leave the setting out.")),
        TimeZone(settings.Policy.Zone),
        CheckRow.Ok("patients followed", settings.Policy.Follow switch
        {
            Following.All => "all with a course (Titration__Clinic__Follow)",
            Following.Enrolled => "those whom a clinician's follow-up observation has enrolled (Titration__Clinic__Follow); of the others only what is urgent",
        }),
        Protocol(settings),
        Mapping(settings),
        Wording(settings),
        Space(settings.Options),
        PrivacyKeyCheck.Of(
            settings.Options.Privacy.Key, CommandSettings.IsInEnvironment("Privacy", "Key"), CommandSettings.SecretsFolder),
        .. OwnCertificates(settings),
    ];

    private static CheckRow TimeZone(TimeZoneInfo zone) => zone.Id is "UTC" or "Etc/UTC"
        ? CheckRow.Warning("time zone", "UTC: days and nights are counted by it", "Set Titration__Clinic__TimeZone to the clinic's, such as Europe/London, unless it is UTC.")
        : CheckRow.Ok("time zone", $"{zone.Id}{(zone.SupportsDaylightSavingTime ? ", with summer time" : "")}");

    private static CheckRow Protocol(Settings settings)
    {
        ProtocolDefinition protocol = settings.Policy.Protocol;
        string seen = $"{protocol.Name} {protocol.Version}, policy {settings.Policy.Hash[..12]}";
        return settings.Options.Protocol.File.Length > 0
            ? CheckRow.Ok("protocol", seen)
            : CheckRow.Warning("protocol", $"{seen}: the example that comes with the service", "Have a clinician judge it (`titration protocol show`), and set Titration__Protocol__File to the clinic's own.");
    }

    private static CheckRow Mapping(Settings settings) => CheckRow.Ok(
        "mapping file", settings.Options.Mapping.File.Length > 0 ? $"read, and fits the protocol: {settings.Options.Mapping.File}" : "none: built-in codes only; `titration backfill` counts what they miss");

    private static CheckRow Wording(Settings settings)
    {
        ImmutableArray<ProtocolProblem> missing = WordingCoverage.Problems(settings.Policy.Protocol, settings.Policy.Wording);
        string seen = $"{string.Join(", ", settings.Policy.Wording.Languages.Order(StringComparer.Ordinal))}{(settings.Options.Wording.Folder.Length > 0 ? $", with {settings.Options.Wording.Folder}" : "")}";
        return missing.IsEmpty
            ? CheckRow.Ok("wording", seen)
            : CheckRow.Warning("wording", $"{seen}; {missing[0].Problem}{(missing.Length > 1 ? $" (and {missing.Length - 1} more)" : "")}", "Until then messages show the protocol's own name.");
    }

    private static CheckRow Space(TitrationOptions options)
    {
        string folder = Path.GetFullPath(options.DataFolder);
        string there = folder;
        while (!Directory.Exists(there) && Path.GetDirectoryName(there) is { } parent)
        {
            there = parent;
        }

        long free = new DriveInfo(there).AvailableFreeSpace;
        string seen = $"{folder}: {(free >= Gibibyte ? $"{free / Gibibyte} GiB" : $"{free / 1024 / 1024} MiB")} free";
        return free < LeastFree ? CheckRow.Wrong("data folder", seen, "Make room, or set Titration__DataFolder to another disk.")
            : free < Gibibyte ? CheckRow.Warning("data folder", seen, "Make room soon, or set Titration__DataFolder to another disk.")
            : CheckRow.Ok("data folder", seen);
    }

    private static IEnumerable<CheckRow> OwnCertificates(Settings settings)
    {
        (string Subject, X509Certificate2? Certificate)[] own =
        [
            ("own certificate for the FHIR server", settings.Security.FhirServer.Certificate?.Certificate),
            ("own certificate for the broker", settings.Security.Broker.Certificate?.Certificate),
            ("certificate of the inbound endpoint", settings.Security.Inbound?.Certificate),
        ];
        return own.Where(o => o.Certificate is not null).Select(o => CertificateRow(o.Subject, o.Certificate!.NotAfter));
    }

    /// <summary>Whether a certificate will last.</summary>
    /// <param name="subject">Whose.</param>
    /// <param name="notAfter">Its end, in this machine's time.</param>
    /// <param name="before">Said before the date.</param>
    public static CheckRow CertificateRow(string subject, DateTime notAfter, string before = "")
    {
        DateTimeOffset end = new(notAfter);
        TimeSpan left = end - TimeProvider.System.GetUtcNow();
        string seen = $"{before}valid until {end.ToUniversalTime():yyyy-MM-dd}";
        return left <= TimeSpan.Zero ? CheckRow.Wrong(subject, seen, "It has run out: renew it.")
            : left < TimeSpan.FromDays(CertificateDays) ? CheckRow.Warning(subject, seen, "Renew it.")
            : CheckRow.Ok(subject, seen);
    }
}
