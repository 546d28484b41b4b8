using System.Collections.Immutable;
using System.CommandLine;
using System.Globalization;
using Titration.Protocol.Decisions;
using Titration.Protocol.Doses;
using Titration.Protocol.Facts;
using Titration.Protocol.Rules;

namespace Titration.Worker.Commands;

/// <summary><c>titration evaluate</c>: the evaluation without broker, server or database.</summary>
internal static class EvaluateCommand
{
    public static Command Create()
    {
        Argument<string> path = new("path") { Description = "A folder of .json and .ndjson files, one such file, a Bundle, or - for standard input." };
        Option<string?> protocol = new("--protocol") { Description = "Protocol file; default: Titration__Protocol__File, else the one that comes with the service." };
        Option<string?> mapping = new("--mapping") { Description = "The clinic's code mapping file; default: Titration__Mapping__File, else none." };
        Option<string?> asOf = new("--as-of") { Description = "Instant to look at, such as 2026-03-15T08:00:00Z, or a date (its start in the clinic's time zone); default: now." };
        Option<string?> zone = new("--time-zone") { Description = "The clinic's IANA time zone; default: Titration__Clinic__TimeZone, else UTC." };
        Option<bool> json = new("--json") { Description = "One JSON array, an object per course." };
        Command command = new("evaluate", """
            Evaluates FHIR resources offline, for one or many patients: what the service would propose, and why. Nothing is sent or stored.
            This is also how a clinic tries a protocol before it goes live.

              titration evaluate patients/ --as-of 2026-03-15 --time-zone Europe/London
              titration evaluate bundle.json --protocol my-protocol.json --json

            What cannot be read is named on standard error; the rest is evaluated, and the exit code is 1.
            """)
        { path, protocol, mapping, asOf, zone, json };
        command.SetAction(parsed => Run(
            parsed.GetValue(path)!, parsed.GetValue(protocol), parsed.GetValue(mapping), parsed.GetValue(asOf), parsed.GetValue(zone), parsed.GetValue(json)));
        return command;
    }

    private static int Run(string path, string? protocol, string? mapping, string? asOf, string? zone, bool json)
    {
        if (CommandSettings.Load(("Protocol:File", protocol), ("Mapping:File", mapping), ("Clinic:TimeZone", zone)) is not { } settings)
        {
            return ExitCode.Usage;
        }

        if (InstantOf(asOf, settings.Policy.Zone) is not { } instant)
        {
            Console.Error.WriteLine($"titration: --as-of: \"{asOf}\" is no instant with an offset (2026-03-15T08:00:00Z) and no date (2026-03-15)");
            return ExitCode.Usage;
        }

        OfflineFacts facts = new(settings.Policy.Vocabulary);
        if (!facts.Read(path))
        {
            return ExitCode.Usage;
        }

        AsOf at = new(instant, settings.Policy.Zone, Follow: settings.Policy.Follow);
        ImmutableArray<(Evaluation, CourseFigures?)> courses =
        [
            .. facts.Histories().SelectMany(history =>
            {
                ImmutableArray<CourseFigures> figures = TitrationPolicy.Figures(history, settings.Policy.Protocol, at);
                return TitrationPolicy.Evaluate(history, settings.Policy.Protocol, at).Select(e => (e, figures.FirstOrDefault(f => f.Course == e.Course)));
            }),
        ];
        if (json)
        {
            EvaluationOutput.WriteJson(courses, settings);
        }
        else
        {
            EvaluationOutput.WriteTable(courses, settings);
        }

        return facts.AllRead ? ExitCode.Done : ExitCode.Found;
    }

    private static DateTimeOffset? InstantOf(string? text, TimeZoneInfo zone)
    {
        if (text is null)
        {
            return TimeProvider.System.GetUtcNow();
        }

        if (DateOnly.TryParseExact(text, "yyyy-MM-dd", CultureInfo.InvariantCulture, DateTimeStyles.None, out DateOnly date))
        {
            return ClinicZone.StartOf(date, zone);
        }

        string[] forms = ["yyyy-MM-ddTHH:mm:ss.FFFFFFFK", "yyyy-MM-ddTHH:mmK"];
        bool hasOffset = text.EndsWith('Z') || (text.Length > 6 && text[^6] is '+' or '-' && text[^3] == ':');
        return hasOffset && DateTimeOffset.TryParseExact(text, forms, CultureInfo.InvariantCulture, DateTimeStyles.None, out DateTimeOffset instant)
            ? instant
            : null;
    }
}
