using System.Globalization;
using System.Reflection;
using System.Xml.Linq;
using Titration.Protocol.Courses;
using Titration.Protocol.Decisions;
using Titration.Protocol.Facts;
using Titration.Worker.Explaining;
using static Titration.Worker.Pages.Html;

namespace Titration.Worker.Pages;

/// <summary>A course as one page that needs nothing else: for reading, printing and keeping.</summary>
internal static class CourseReport
{
    public static string Version { get; } = typeof(CourseReport).Assembly.GetCustomAttribute<AssemblyInformationalVersionAttribute>()?.InformationalVersion.Split('+')[0] ?? "";

    /// <param name="course">What is told.</param>
    /// <param name="clinic">What the clinic is called.</param>
    public static string Of(CourseExplanation course, string clinic)
    {
        string treatment = $"{Capital(course.Course.Ingredient)}, {course.Course.Area}";
        return Page(
            $"{treatment}: Patient/{course.Course.Patient}", Styles("page.css", "report.css"), [],
            E(
                "div", Class("sheet"),
                E(
                    "header", E("p", Class("kicker"), $"{clinic} · course of treatment"), E("h1", treatment),
                    Words.MeaningOf(course.Mode) is { } mode ? E("p", Class("mode"), E("span", Class("mark down"), course.Mode.Code()), " ", mode) : null,
                    Facts(course),
                    E(
                        "nav", A("aria-label", "Sections"),
                        E("ul", Link("#over-time", "Over time"), Link("#decisions", "Decisions"), Link("#messages", "Messages"), Link("#about", "About this page")))),
                E("main", Now(course), CourseReportTables.OverTime(course), Decisions(course), Messages(course)),
                About(course)));
    }

    public static string Day(DateOnly date) => date.ToString("yyyy-MM-dd", CultureInfo.InvariantCulture);

    /// <summary>A step in short; no number is parted from its unit.</summary>
    public static string StepWords(Step step) => Joined(StepText.Of(step));

    /// <summary>The words of a step, no number parted from its unit.</summary>
    public static string Joined(string step) => step.Replace(" %", "\u00a0%", StringComparison.Ordinal).Replace(" g", "\u00a0g", StringComparison.Ordinal);

    public static XElement DayElement(DateOnly date) => E("time", Class("day"), A("datetime", Day(date)), Day(date));

    /// <summary>A version of a resource, with places at which it may break.</summary>
    public static XElement Reference(string reference) => E("code", reference.Split('/').SelectMany((part, i) => i == 0 ? [part] : new object[] { "/", E("wbr"), part }));

    private static XElement Facts(CourseExplanation course)
    {
        Evaluation standing = course.Standing;
        return E(
            "dl", Class("facts"),
            Fact("Patient", $"Patient/{course.Course.Patient}"),
            Fact("Outcome", E("span", Class($"mark {OutcomeMark.Class(standing.Outcome)}"), Words.Of(standing))),
            Fact("Step in force", standing.Step is { } step ? new object[] { StepWords(step.Step), ", since ", DayElement(step.Since) } : "none"),
            Fact("Next look", standing.NextLook is { } next ? Words.Local(next, course.Policy.Zone) : "with new facts"),
            Fact("Looked at", $"{Words.Local(standing.AsOf, course.Policy.Zone)}, {course.Policy.Zone.Id}"),
            Fact("Applied so far", course.Figures is { } figures
                ? string.Create(CultureInfo.InvariantCulture, $"{figures.GramsApplied:0.##} g ({figures.ActiveMilligramsApplied:0.##} mg active), unreported nights as planned") : "not known"));
    }

    private static object[] Fact(string name, object value) => [E("div", E("dt", name), E("dd", value))];

    private static XElement Link(string to, string text) => E("li", E("a", A("href", to), text));

    private static XElement Now(CourseExplanation course)
    {
        List<ExplainedCommunication> open = [.. course.Open];
        return E(
            "section", A("aria-labelledby", "now"), E("h2", A("id", "now"), "Where it stands"),
            course.Standing.Reasons.IsEmpty ? E("p", $"{(course.Standing.NotFollowed is null ? "The course has ended" : "The patient is not followed")}: nothing is proposed, asked or reminded of.") : E("ul", Class("plain"), Rules(course.Standing.Reasons.Where(r => r.Outcome == course.Standing.Outcome), facts: null, deciding: true)),
            E("h3", "Open"),
            open.Count == 0 ? E("p", "Nothing stands open.") : E("ul", Class("plain"), open.Select(c => E("li", E("p", Words.Of(c)), E("p", Class("refs"), Words.FateOf(c, course.Policy.Zone))))));
    }

    private static XElement Decisions(CourseExplanation course) => E(
        "section", A("aria-labelledby", "decisions"), E("h2", A("id", "decisions"), "Decisions"),
        E(
            "p", Class("soft"),
            "Each decision with the rules that decided and their numbers, the exact resource versions behind them, and what would have changed it. What would have changed it was found by making the change and evaluating again; of other changes nothing is said."),
        Index(course), course.Decisions.Select(d => Decision(course, d)));

    /// <summary>All decisions at a glance, each with the first of the rules that decided.</summary>
    private static XElement Index(CourseExplanation course) => E(
        "table", E("caption", "All decisions, each with the rule that decided; in full below"),
        E("thead", E("tr", Head("No.", "day"), Head("When"), Head("Outcome"), Head("Why"))),
        E("tbody", course.Decisions.Select(d => E(
            "tr", E("th", A("scope", "row"), E("a", A("href", $"#d{d.Number}"), $"{d.Number}")), E("td", Words.Local(d.Evaluation.AsOf, course.Policy.Zone)),
            E("td", E("span", Class($"mark {OutcomeMark.Class(d.Evaluation.Outcome)}"), Words.InShort(d.Evaluation.Outcome, d.Evaluation.NotFollowed is null))),
            E("td", d.Evaluation.Reasons.IsEmpty ? "" : d.Evaluation.Reasons[0].Text)))));

    private static XElement Decision(CourseExplanation course, ExplainedDecision decision)
    {
        Evaluation evaluation = decision.Evaluation;
        List<string> facts = [.. evaluation.Reasons.SelectMany(r => r.Evidence).Select(e => e.Reference).Distinct(StringComparer.Ordinal)];
        List<ExplainedCommunication> opened = [.. course.Communications.Where(c => c.OpenedBy == decision.Id)];
        string at = Words.Local(evaluation.AsOf, course.Policy.Zone);
        return E(
            "article", A("id", $"d{decision.Number}"), A("aria-labelledby", $"d{decision.Number}-title"),
            E(
                "h3", A("id", $"d{decision.Number}-title"), E("span", Class("no"), $"{decision.Number} · "),
                E("span", Class($"mark {OutcomeMark.Class(evaluation.Outcome)}"), Words.Of(evaluation))),
            E("p", Class("soft small"), E("time", A("datetime", evaluation.AsOf.ToString("yyyy-MM-ddTHH:mm:ss'Z'", CultureInfo.InvariantCulture)), at), evaluation.Step is { } step ? $" · on {StepText.Of(step.Step)} since {Day(step.Since)}" : " · no step in force"),
            E(
                "div", Class("two"),
                E(
                    "div", E("ul", Class("plain"), Rules(decision.Deciding, facts, deciding: true)),
                    decision.Others.Any() ? new[] { E("h4", "Spoke as well, less cautiously"), E("ul", Class("plain small"), Rules(decision.Others, facts, deciding: false)) } : null),
                E(
                    "div", Otherwise(course, decision),
                    opened.Count == 0 ? null : new[] { E("h4", "Messages it opened"), E("ul", Class("plain small"), opened.Select(c => E("li", E("p", Words.Of(c))))) },
                    facts.Count == 0 ? null : new[] { E("h4", "Facts it rests on"), E("ol", Class("facts"), facts.Select(f => E("li", Reference(f)))) })),
            E(
                "p", Class("ids"), "Decision ", E("code", $"{decision.Id}"), $", entry {decision.Sequence} of the patient's chain, hash ", E("code", decision.Hash), "; digest of all facts known ", E("code", decision.InputDigest),
                "; policy ", E("code", decision.PolicyHash)));
    }

    /// <param name="reasons">What the rules say.</param>
    /// <param name="facts">The references that are listed beside them: a rule cites their numbers. Null: it names them itself.</param>
    /// <param name="deciding">Whether these rules decided.</param>
    private static IEnumerable<XElement> Rules(IEnumerable<RuleResult> reasons, List<string>? facts, bool deciding) => reasons.Select(r => E(
        "li", deciding ? Class("deciding") : null,
        E(
            "p", E("span", Class("rule"), r.Rule), deciding ? ": " : $" (for {r.Outcome.Code()}): ", r.Text,
            r.Evidence.IsEmpty || facts is null ? null : new object[] { " ", E("span", Class("cite"), $"[{string.Join(", ", r.Evidence.Select(e => facts.IndexOf(e.Reference) + 1).Distinct().Order())}]") }),
        r.Evidence.IsEmpty || facts is not null ? null : E("p", Class("refs"), r.Evidence.SelectMany((e, i) => new object[] { i == 0 ? "" : ", ", Reference(e.Reference) }))));

    private static XElement[]? Otherwise(CourseExplanation course, ExplainedDecision decision) => decision.Otherwise switch
    {
        null when decision.Evaluation.Outcome is null => null,
        null => [E("h4", "What would have changed it"), E("p", Class("small"), "Not said: the files at hand are not the policy by which it was decided.")],
        { IsEmpty: true } => [E("h4", "What would have changed it"), E("p", Class("small"), "None of the changes that were tried.")],
        { } found => [E("h4", "What would have changed it"), E("ul", Class("plain small"), found.Select(c => E("li", E("p", Words.Of(c, course.Policy.Zone)))))],
    };

    private static XElement Messages(CourseExplanation course) => E(
        "section", A("aria-labelledby", "messages"), E("h2", A("id", "messages"), "Messages"),
        course.Communications.IsEmpty
            ? E("p", "None.")
            : E(
                "table", E("caption", "What was said to whom, and what became of it; below it the resources on the FHIR server"),
                E("thead", E("tr", Head("Opened"), Head("Message"), Head("What became of it"))),
                E("tbody", course.Communications.Select(c => E(
                    "tr", E("th", A("scope", "row"), DayElement(course.Date(c.OpenedAt)), E("div", Class("refs"), "decision ", E("a", A("href", $"#d{course.Decision(c.OpenedBy)?.Number}"), $"{course.Decision(c.OpenedBy)?.Number}"))),
                    E("td", Words.Of(c)),
                    E("td", Words.FateOf(c, course.Policy.Zone), c.Resources.IsEmpty ? null : E("div", Class("refs"), c.Resources.SelectMany((r, i) => new object[] { i == 0 ? "" : ", ", Reference(r) }))))))));

    public static XElement Head(string text, string names = "") => E("th", A("scope", "col"), names.Length == 0 ? null : Class(names), text);

    private static XElement About(CourseExplanation course) => E(
        "footer", Class("small"), E("h2", A("id", "about"), "About this page"),
        E(
            "p", $"Made by Titration {Version} from the clinic's own record. Protocol {course.Policy.Protocol.Name} {course.Policy.Protocol.Version}; dates are the clinic's ({course.Policy.Zone.Id}). Policy at hand ",
            E("code", course.Policy.Hash), "."),
        E("p", "The page holds everything it shows, loads nothing and runs nothing. It names the patient by the id that the FHIR server knows: keep it as you keep a record."),
        E("p", "Decision support, not a medical device. It proposes; a clinician decides. Local law, product labels and the licensed prescriber decide."));

    private static string Capital(string text) => text.Length == 0 ? text : $"{char.ToUpperInvariant(text[0])}{text[1..]}";
}
