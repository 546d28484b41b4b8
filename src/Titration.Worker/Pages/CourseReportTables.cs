using System.Globalization;
using System.Xml.Linq;
using Titration.Protocol.Courses;
using Titration.Protocol.Facts;
using Titration.Worker.Explaining;
using static Titration.Worker.Pages.CourseReport;
using static Titration.Worker.Pages.Html;

namespace Titration.Worker.Pages;

/// <summary>The course over time: the drawing, and the same as tables.</summary>
internal static class CourseReportTables
{
    public static XElement OverTime(CourseExplanation course) => E(
        "section", A("aria-labelledby", "over-time"), E("h2", A("id", "over-time"), "Over time"),
        course.Record is not { } record
            ? E("p", "The orders of this course are gone from the record: only its decisions and messages can be told.")
            : new object?[]
            {
                E("figure", CourseChart.Of(course, record, narrow: false), CourseChart.Of(course, record, narrow: true), Caption(course)),
                Steps(course, record),
                CheckIns(record),
                Findings(record),
            });

    private static XElement Caption(CourseExplanation course) => E(
        "figcaption", string.Create(
            CultureInfo.InvariantCulture,
            $"Signs from 0 none to 3 severe; a sign that nobody graded has no mark. Applied of planned for the nights of each report, the broken line at {course.Policy.Protocol.StepUp.MinimumExposure:P0}. Hatched: withheld nights. Decisions by number: ▲ up or resumed, = maintained, ▼ down, ■ withheld or discontinued, ? asked, – ended."));

    private static object[] Steps(CourseExplanation course, CourseRecord record) =>
    [
        E("h3", "Steps"),
        E(
            "table", Class("whole"), E("caption", "Steps in force, with the order that each comes from and the proposal behind it"),
            E("thead", E("tr", Head("No.", "day"), Head("Step"), Head("In force"), Head("How it came about"))),
            E("tbody", record.Steps.Select((s, i) => E(
                "tr", E("th", A("scope", "row"), $"{i + 1}"), E("td", StepWords(s.Step)), E("td", "from ", DayElement(s.Since), s.Until is { } until ? new object[] { " to ", DayElement(until) } : ", goes on"),
                E("td", Origin(course, s), E("div", Class("refs"), Reference(s.Order.Reference))))))),
    ];

    private static object Origin(CourseExplanation course, StepPeriod step)
    {
        if (course.ProposalOf(step) is not { } proposal)
        {
            return "ordered by the prescriber";
        }

        int? number = course.Decision(proposal.OpenedBy)?.Number;
        return new object[] { "proposed by decision ", E("a", A("href", $"#d{number}"), $"{number}"), $", approved {Words.Local(proposal.Approved!.At!.Value, course.Policy.Zone)}" };
    }

    private static object[] CheckIns(CourseRecord record) =>
    [
        E("h3", "Check-ins and applications"),
        record.CheckIns.IsEmpty && record.Nights.IsEmpty
            ? E("p", "None.")
            : E(
                "table", E("caption", "Grades of each day, 0 none to 3 severe, – not graded; below each date the observation and its version"),
                E("thead", E("tr", Head("Date"), Enum.GetValues<Sign>().Select(s => E("th", A("scope", "col"), Class("grade"), E("span", Words.SignName(s)))), Head("Applied of planned"))),
                E("tbody", Days(record).Select(d => Row(record, d)))),
    ];

    /// <summary>Dates with grades or with reported applications.</summary>
    private static IEnumerable<DateOnly> Days(CourseRecord record) => record.CheckIns.Select(d => d.Date).Concat(record.Nights.Select(n => n.Date)).Distinct().Order();

    private static XElement Row(CourseRecord record, DateOnly date)
    {
        CheckInDay? day = record.CheckIns.FirstOrDefault(d => d.Date == date);
        List<CoveredNights> nights = [.. record.Nights.Where(n => n.Date == date)];
        IEnumerable<ResourceVersion> sources = (day?.Evidence ?? []).Concat(nights.Select(n => n.Source)).Distinct();
        return E(
            "tr", E("th", A("scope", "row"), DayElement(date), day is { IsComplete: false } ? " incomplete" : null, E("div", Class("refs"), sources.Select(s => E("div", Reference($"{s.Id}{(s.VersionId is { } version ? $"/{version}" : "")}"))))),
            Enum.GetValues<Sign>().Select(s => day?.Grades[(int)s] is { } grade ? E("td", Class($"grade f{(int)grade}"), $"{(int)grade}") : E("td", Class("grade"), "–")),
            E("td", nights.Count == 0 ? "–" : string.Join("; ", nights.Select(n => n.Until > n.From
                ? string.Create(CultureInfo.InvariantCulture, $"{n.Applied:0.##} of {n.Planned:0.##}") : "no nights left to report"))));
    }

    private static object?[]? Findings(CourseRecord record) => record.Findings.IsEmpty && record.Withheld.IsEmpty && record.Effects.IsEmpty
        ? null
        :
        [
            E("h3", "Findings, effect and withheld nights"),
            E(
                "table", Class("whole"), E("caption", "What else bears on the course"),
                E("thead", E("tr", Head("From"), Head("Until"), Head("What"))),
                E(
                    "tbody",
                    record.Findings.Select(f => (f.Date, Until: f.ClearedOn, What: f.Code, Open: "stands", Source: (string?)f.Source.Reference))
                        .Concat(record.Effects.Select(e => (e.Date, Until: (DateOnly?)null, What: $"effect: {e.Effect.Code()}", Open: "", Source: (string?)e.Source.Reference)))
                        .Concat(record.Withheld.Select(w => (Date: w.From, w.Until, What: "nothing to be applied", Open: "goes on", Source: (string?)null)))
                        .OrderBy(r => r.Date)
                        .Select(r => E(
                            "tr", E("th", A("scope", "row"), DayElement(r.Date)), E("td", r.Until is { } until ? DayElement(until) : r.Open),
                            E("td", r.What, r.Source is { } source ? E("div", Class("refs"), Reference(source)) : null))))),
        ];
}
