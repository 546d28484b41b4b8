using System.Globalization;
using System.Xml.Linq;
using Titration.Protocol.Courses;
using Titration.Protocol.Decisions;
using Titration.Protocol.Facts;
using Titration.Storage.Delivery;
using Titration.Storage.Model;
using Titration.Worker.Configuration;
using static Titration.Worker.Pages.Html;

namespace Titration.Worker.Pages;

/// <summary>How the service stands, as a page. It names no patient and changes nothing.</summary>
internal static class StatusPage
{
    private static readonly string[] Ranks = ["stat", "urgent", "routine"];

    public static string Sheet { get; } = Styles("page.css", "status.css");

    public static string Of(ServiceStatus status, Settings settings) => Page(
        "Titration: status", Sheet, [],
        E(
            "div", Class("sheet"),
            E(
                "header", E("p", Class("kicker"), settings.Clinic.Name), E("h1", "Titration"),
                E("p", Class("state"), E("span", Class($"mark {(status.IsReady ? "up" : "stop")}"), status.IsReady ? "ready" : "not ready"), E("span", Class("soft small"), $"looked at {At(status.At)}; reload the page to look again")),
                status.Figures is { } known ? Mode(known.Mode) : null),
            E("main", Parts(status), status.Figures is { } figures ? Figures(status, figures, settings.Policy.Follow == Following.All ? "ended" : "ended or not followed") : E("p", "The database does not answer: there are no figures.")),
            About(settings)));

    /// <summary>What leaves for the FHIR server, and who chose that.</summary>
    private static XElement Mode(ModeChangeRow? change)
    {
        OperatingMode mode = change?.Mode ?? OperatingMode.Shadow;
        string meaning = mode switch
        {
            OperatingMode.Shadow => "nothing is sent; what is unsent is what would have been",
            OperatingMode.Live => "what is decided is sent",
            OperatingMode.Paused => "only safety referrals and withdrawals are sent; the rest waits",
        };
        string chosen = change is null ? "" : $"; since {At(change.At)} by {change.By}{(change.Reason is { } reason ? $": {reason}" : "")}";
        return E("p", Class("mode"), E("span", Class($"mark {(mode == OperatingMode.Live ? "up" : "down")}"), mode.Code()), " ", $"{meaning}{chosen}");
    }

    private static XElement Parts(ServiceStatus status) => E(
        "section", A("aria-labelledby", "health"), E("h2", A("id", "health"), "Health"),
        E(
            "table", E("caption", "What has to be there for the service to be ready"),
            E("thead", E("tr", Head("Part"), Head("State"), Head("Why"))),
            E("tbody", status.Parts.Select(p => E(
                "tr", E("th", A("scope", "row"), p.Name), E("td", E("span", Class($"mark {(p.IsReady ? "up" : "stop")}"), p.IsReady ? "ready" : "not ready")), E("td", p.Why))))));

    private static object[] Figures(ServiceStatus status, StatusFigures figures, string none)
    {
        OutboxDepth outbox = figures.Depths.Outbox;
        TimeSpan? oldest = outbox.OldestUnsent is { } since && since < status.At ? status.At - since : null;
        string ranks = string.Join(", ", Ranks.Select((name, rank) => $"{figures.UnsentByRank.GetValueOrDefault(rank)} {name}"));
        string waiting = string.Join(", ", figures.WaitingByReason.Select(w => $"{w.Value} {w.Key}"));
        return
        [
            E(
                "section", A("aria-labelledby", "work"), E("h2", A("id", "work"), "Work"),
                E(
                    "dl", Class("figures"),
                    Figure("Patients due", figures.Depths.Due, "whose next look has come", attention: false),
                    Figure(figures.Mode?.Mode is OperatingMode.Live ? "Unsent" : figures.Mode?.Mode is OperatingMode.Paused ? "Unsent, while paused" : "Not sent, in shadow", figures.UnsentByRank.Values.Sum(), ranks, attention: false),
                    Figure("Oldest unsent", oldest is { } age ? Age(age) : "–", "that could have left", attention: oldest > TimeSpan.FromHours(1)),
                    Figure("Emergencies unconfirmed", figures.Depths.UnconfirmedStat, "after 5 minutes", attention: figures.Depths.UnconfirmedStat > 0),
                    Figure("Dead letters", outbox.Dead, "titration outbox list", attention: outbox.Dead > 0),
                    Figure("Quarantine", figures.Depths.Held, "titration quarantine list", attention: figures.Depths.Held > 0),
                    Figure("Waiting", figures.WaitingByReason.Values.Sum(), waiting.Length > 0 ? waiting : "for a reference or a mapping", attention: false),
                    Figure("Unmapped codes", figures.UnmappedCodes, "titration mapping unmapped", attention: false)),
                E("p", Class("soft small"), $"Due, oldest, emergencies, dead letters, quarantine and courses as of {At(figures.Depths.At)}; looked at every 15 seconds.")),
            Courses(figures, none),
            Decisions(figures, none),
        ];
    }

    private static XElement Figure(string name, object value, string note, bool attention) => E(
        "div", attention ? Class("attention") : null, E("dt", name), E("dd", string.Create(CultureInfo.InvariantCulture, $"{value}"), attention ? E("span", Class("small"), " look") : null), E("dd", Class("note"), note));

    private static XElement Courses(StatusFigures figures, string none)
    {
        int all = figures.Depths.Courses.Sum(c => c.Count);
        return E(
            "section", A("aria-labelledby", "courses"), E("h2", A("id", "courses"), "Courses"),
            all == 0
                ? E("p", "None yet.")
                : E(
                    "div", Class("pair"),
                    Counts("By outcome", "Outcome", figures.Depths.Courses.GroupBy(c => c.Outcome).OrderBy(g => g.Key ?? (Outcome)99)
                        .Select(g => ((object)E("span", Class($"mark {OutcomeMark.Class(g.Key)}"), g.Key?.Code() ?? none), g.Sum(c => c.Count)))),
                    Counts("By step in force", "Step", figures.Depths.Courses.GroupBy(c => c.Step, StringComparer.Ordinal).OrderBy(g => g.Key, StringComparer.Ordinal)
                        .Select(g => ((object)(g.Key is { } step ? CourseReport.Joined(step) : "none in force"), g.Sum(c => c.Count))))));
    }

    private static XElement Counts(string caption, string head, IEnumerable<(object Name, int Count)> rows) => E(
        "table", E("caption", caption), E("thead", E("tr", Head(head), Head("Courses", "count"))),
        E("tbody", rows.Select(r => E("tr", E("th", A("scope", "row"), r.Name), E("td", Class("count"), $"{r.Count}")))));

    private static XElement Decisions(StatusFigures figures, string none) => E(
        "section", A("aria-labelledby", "decisions"), E("h2", A("id", "decisions"), "Last decisions"),
        figures.Decisions.IsEmpty
            ? E("p", "None yet.")
            : E(
                "table", E("caption", "The newest of the clinic; titration course show DECISION explains one"),
                E("thead", E("tr", Head("When"), Head("Outcome and rule"), Head("Decision and policy"))),
                E("tbody", figures.Decisions.Select(d => E(
                    "tr", E("th", A("scope", "row"), At(d.DecidedAt).Split(' ').Select((part, i) => new object[] { i == 0 ? "" : " ", E("span", Class("day"), part) })),
                    E("td", E("span", Class($"mark {OutcomeMark.Class(d.Outcome)}"), d.Id is null ? "erased" : d.Outcome?.Code() ?? none), " ", d.Rule),
                    E("td", E("code", d.Id is { } id ? $"{id}" : "–"), " ", E("code", Class("soft"), d.PolicyHash[..Math.Min(12, d.PolicyHash.Length)])))))));

    private static XElement About(Settings settings) => E(
        "footer", Class("small"), E("h2", A("id", "about"), "About"),
        E("p", $"Titration {CourseReport.Version}, protocol {settings.Policy.Protocol.Name} {settings.Policy.Protocol.Version}, clinic time {settings.Policy.Zone.Id}."),
        E("p", "Policy ", E("code", settings.Policy.Hash)),
        E("p", "Times are UTC. The page names no patient. Decision support, not a medical device: it proposes, a clinician decides."));

    private static XElement Head(string text, string names = "") => CourseReport.Head(text, names);

    private static string At(DateTimeOffset instant) => instant.ToUniversalTime().ToString("yyyy-MM-dd HH:mm:ss'Z'", CultureInfo.InvariantCulture);

    private static string Age(TimeSpan age) => age switch
    {
        { TotalMinutes: < 1 } => $"{age.Seconds} s",
        { TotalHours: < 1 } => $"{age.Minutes} min",
        { TotalDays: < 2 } => $"{(int)age.TotalHours} h {age.Minutes} min",
        _ => $"{(int)age.TotalDays} days",
    };
}
