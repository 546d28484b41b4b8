using System.Globalization;
using System.Xml.Linq;
using Titration.Protocol.Courses;
using Titration.Protocol.Facts;
using Titration.Worker.Explaining;
using static Titration.Worker.Pages.Html;

namespace Titration.Worker.Pages;

/// <summary>
/// A course over time as a drawing: steps, applications, each sign, findings and decisions, one below the other on one axis. It says nothing that the
/// tables beside it do not say.
/// </summary>
internal sealed class CourseChart
{
    private const int SignHeight = 40;
    private const int GradeHeight = 8;
    private const int PillHeight = 17;
    private const double CharacterWidth = 6.1;

    private readonly CourseExplanation _course;
    private readonly CourseRecord _record;
    private readonly bool _narrow;
    private readonly int _width;
    private readonly int _left;
    private readonly DateOnly _from;
    private readonly DateOnly _until;
    private readonly List<XElement> _marks = [];
    private int _y = 26;

    private CourseChart(CourseExplanation course, CourseRecord record, bool narrow)
    {
        _course = course;
        _record = record;
        _narrow = narrow;
        _width = narrow ? 360 : 1040;
        _left = narrow ? 74 : 104;
        _from = record.Day0.AddDays(-1);
        DateOnly last = Last(course, record);
        _until = last.AddDays(Math.Max(2, (last.DayNumber - _from.DayNumber) / 40));
    }

    /// <param name="course">The course.</param>
    /// <param name="record">The same over time.</param>
    /// <param name="narrow">For a telephone: fewer words, and all of it in 360 units.</param>
    public static XElement Of(CourseExplanation course, CourseRecord record, bool narrow)
    {
        CourseChart chart = new(course, record, narrow);
        string id = narrow ? "chart-narrow" : "chart-wide";
        chart.Steps();
        chart.Applications();
        int signs = chart._y;
        foreach (Sign sign in Enum.GetValues<Sign>())
        {
            chart.SignLane(sign);
        }

        chart.Hatch(signs);
        chart.Findings();
        chart.Decisions();
        int height = chart._y + 22;
        return E(
            "svg", Class($"chart {(narrow ? "narrow" : "wide")}"), A("viewBox", $"0 0 {chart._width} {height}"), A("role", "img"), A("aria-labelledby", $"{id}-title {id}-desc"),
            E("title", A("id", $"{id}-title"), "Signs, steps, applications and decisions over time"),
            E("desc", A("id", $"{id}-desc"), chart.Description()),
            E("defs", E(
                "pattern", A("id", $"{id}-hatch"), A("width", 6), A("height", 6), A("patternUnits", "userSpaceOnUse"), A("patternTransform", "rotate(45)"),
                E("line", Class("hatch"), A("x1", 0), A("y1", 0), A("x2", 0), A("y2", 6)))),
            chart.Axis(height), chart._marks);
    }

    /// <summary>The last date on which anything happened, or the last look at a course that goes on.</summary>
    private static DateOnly Last(CourseExplanation course, CourseRecord record)
    {
        IEnumerable<DateOnly> dates =
        [
            record.Day0.AddDays(13), .. record.Steps.Select(s => s.Since), .. record.CheckIns.Select(d => d.Date), .. record.Findings.Select(f => f.Date),
            .. course.Decisions.Select(d => course.Date(d.Evaluation.AsOf)), record.EndedOn ?? record.Day0,
        ];
        return dates.Max();
    }

    private string Description() => FormattableString.Invariant(
        $"From {_record.Day0:yyyy-MM-dd} to {Last(_course, _record):yyyy-MM-dd}: {_record.Steps.Length} steps, {_record.CheckIns.Length} days with check-ins, {_course.Decisions.Length} decisions. The tables below hold the same.");

    private double X(DateOnly date) => Math.Round(_left + ((_width - _left - 12d) * (date.DayNumber - _from.DayNumber) / (_until.DayNumber - _from.DayNumber)), 1);

    private DateOnly Shown(DateOnly? date) => date is { } d && d < _until ? d : _until;

    private IEnumerable<XElement> Axis(int height)
    {
        double free = double.MinValue;
        for (DateOnly month = new(_from.Year, _from.Month, 1); month < _until; month = month.AddMonths(1))
        {
            if (month < _from)
            {
                continue;
            }

            double x = X(month);
            yield return E("line", Class("month"), A("x1", x), A("y1", 20), A("x2", x), A("y2", height - 18));
            string label = month.ToString(_narrow ? "MM" : "MMM yyyy", CultureInfo.InvariantCulture);
            if (x > free && x + (label.Length * CharacterWidth) < _width)
            {
                yield return Text("tick", x + 3, 14, label);
                yield return Text("tick", x + 3, height - 6, label);
                free = x + (label.Length * CharacterWidth) + 8;
            }
        }
    }

    private void Steps()
    {
        Lane("Step", 13);
        foreach ((StepPeriod step, int index) in _record.Steps.Select((s, i) => (s, i)))
        {
            if (step.Since >= _until)
            {
                continue;
            }

            double x = X(step.Since);
            double width = X(Shown(step.Until)) - x;
            decimal most = _record.Steps.Max(s => s.Step.WeeklyActiveMilligrams);
            double depth = most > 0 ? Math.Round(0.08 + (0.22 * (double)(step.Step.WeeklyActiveMilligrams / most)), 2) : 0.1;
            _marks.Add(E("rect", Class("step"), A("x", x), A("y", _y), A("width", Math.Max(width, 1)), A("height", 22), A("fill-opacity", depth)));
            string label = $"{index + 1}  {StepText.Of(step.Step)}";
            string fits = Fits(label, width - 8) ? label : Fits($"{index + 1}", width - 2) ? $"{index + 1}" : "";
            Add(fits.Length == 0 ? null : Text("name", x + 4, _y + 15, fits));
        }

        _y += 34;
    }

    /// <summary>A column for the nights of each report: as high as planned, filled as far as applied, with a line at what a step up needs.</summary>
    private void Applications()
    {
        const int Height = 30;
        Lane("Applied", 19);
        double need = _y + Height - ((double)_course.Policy.Protocol.StepUp.MinimumExposure * Height);
        foreach (CoveredNights nights in _record.Nights.Where(n => n.Until > n.From && n.From < _until))
        {
            double x = X(nights.From);
            double width = Math.Max(X(Shown(nights.Until)) - x - 1.5, 1);
            double share = nights.Planned > 0 ? Math.Min((double)(nights.Applied / nights.Planned), 1) : nights.Applied > 0 ? 1 : 0;
            _marks.Add(E("rect", Class("planned"), A("x", x), A("y", _y), A("width", width), A("height", Height)));
            _marks.Add(E("rect", Class("applied"), A("x", x), A("y", Math.Round(_y + Height - (share * Height), 1)), A("width", width), A("height", Math.Round(share * Height, 1))));
            string label = string.Create(CultureInfo.InvariantCulture, $"{nights.Applied:0.#}/{nights.Planned:0.#}");
            Add(nights.Planned > 0 && Fits(label, width - 2) ? Text("share", x + 3, _y + Height - 4, label) : null);
        }

        _marks.Add(E("line", Class("need"), A("x1", _left), A("y1", Math.Round(need, 1)), A("x2", _width - 12), A("y2", Math.Round(need, 1))));
        _y += Height + 14;
    }

    private void SignLane(Sign sign)
    {
        string name = Words.SignName(sign);
        int floor = _y + SignHeight - 8;
        Lane($"{char.ToUpperInvariant(name[0])}{name[1..]}", SignHeight - 12);
        for (int grade = 1; grade <= 3; grade++)
        {
            _marks.Add(E("line", Class("grid"), A("x1", _left), A("y1", floor - (grade * GradeHeight)), A("x2", _width - 12), A("y2", floor - (grade * GradeHeight))));
        }

        _marks.Add(E("line", Class("base"), A("x1", _left), A("y1", floor), A("x2", _width - 12), A("y2", floor)));
        foreach (CheckInDay day in _record.CheckIns.Where(d => d.Date < _until))
        {
            if (day.Grades[(int)sign] is not { } grade)
            {
                continue;
            }

            double x = X(day.Date);
            int top = floor - ((int)grade * GradeHeight);
            Add(grade == Grade.None ? null : E("line", Class($"g{(int)grade}"), A("x1", x), A("y1", floor), A("x2", x), A("y2", top)));
            _marks.Add(E("circle", Class($"g{(int)grade}"), A("cx", x), A("cy", top), A("r", grade == Grade.None ? 2.2 : 2.6)));
            Add(grade < Grade.Moderate ? null : Text($"figure f{(int)grade}", x + 4.5, top + 5, $"{(int)grade}"));
        }

        _y += SignHeight;
    }

    /// <summary>Withheld nights, across all signs.</summary>
    private void Hatch(int top)
    {
        foreach (WithheldNights nights in _record.Withheld.Where(w => w.From < _until && !(w.Until <= _from)))
        {
            double x = X(nights.From < _from ? _from : nights.From);
            _marks.Add(E(
                "rect", A("x", x), A("y", top), A("width", Math.Max(X(Shown(nights.Until)) - x, 1)), A("height", _y - top), A("fill", $"url(#{(_narrow ? "chart-narrow" : "chart-wide")}-hatch)")));
        }
    }

    private void Findings()
    {
        List<(double From, double To, string Text, double Bar)> bars = [];
        foreach (FindingPeriod finding in _record.Findings.Where(f => f.Date < _until))
        {
            double x = X(finding.Date);
            double bar = Math.Max(X(Shown(finding.ClearedOn)) - x, 5);
            double label = finding.Code.Length * CharacterWidth;
            bars.Add((x, Math.Max(x + bar, x + 8 + label), finding.Code, bar));
        }

        if (bars.Count == 0)
        {
            return;
        }

        _y += 10;
        Lane("Findings", 12);
        Stack(bars, b => (b.From, b.To), 19, (b, y) =>
        {
            _marks.Add(E("rect", Class("finding"), A("x", b.From), A("y", y), A("width", b.Bar), A("height", 15), A("rx", 2)));
            double at = Math.Min(b.From + 4, _width - (b.Text.Length * CharacterWidth) - 4);
            _marks.Add(Text("name", Math.Round(at, 1), y + 11.5, b.Text));
        });
    }

    private void Decisions()
    {
        _y += 10;
        Lane("Decisions", 13);
        var pills = _course.Decisions.Select(d =>
        {
            string text = $"{OutcomeMark.Symbol(d.Evaluation.Outcome)} {d.Number}";
            double width = (text.Length * CharacterWidth) + 8;
            double x = Math.Clamp(X(_course.Date(d.Evaluation.AsOf)) - (width / 2), _left, _width - 4 - width);
            return (From: Math.Round(x, 1), To: Math.Round(x + width, 1), Text: text, Class: OutcomeMark.Class(d.Evaluation.Outcome));
        });
        Stack(pills, p => (p.From, p.To), PillHeight + 3, (p, y) =>
        {
            _marks.Add(E("rect", Class($"pill {p.Class}"), A("x", p.From), A("y", y), A("width", Math.Round(p.To - p.From, 1)), A("height", PillHeight), A("rx", 8)));
            _marks.Add(Text($"pilltext {p.Class}", Math.Round((p.From + p.To) / 2, 1), y + 12.5, p.Text));
        });
    }

    /// <summary>Puts each into the first row in which it touches none before it.</summary>
    private void Stack<T>(IEnumerable<T> items, Func<T, (double From, double To)> extent, int rowHeight, Action<T, int> draw)
    {
        List<double> rows = [];
        foreach (T item in items)
        {
            (double from, double to) = extent(item);
            int row = rows.FindIndex(end => end + 2 <= from);
            if (row < 0)
            {
                row = rows.Count;
                rows.Add(0);
            }

            rows[row] = to;
            draw(item, _y + (row * rowHeight));
        }

        _y += Math.Max(rows.Count, 1) * rowHeight;
    }

    private void Lane(string name, int baseline) => _marks.Add(Text("name", 8, _y + baseline, name));

    private void Add(XElement? mark)
    {
        if (mark is not null)
        {
            _marks.Add(mark);
        }
    }

    private static bool Fits(string text, double width) => text.Length * CharacterWidth <= width;

    private static XElement Text(string names, double x, double y, string text) => E("text", Class(names), A("x", x), A("y", y), text);
}

/// <summary>How an outcome is marked, by colour and by shape.</summary>
internal static class OutcomeMark
{
    public static string Class(Protocol.Decisions.Outcome? outcome) => outcome switch
    {
        null => "",
        <= Protocol.Decisions.Outcome.Withhold => "stop",
        Protocol.Decisions.Outcome.StepDown => "down",
        Protocol.Decisions.Outcome.RequestReview or Protocol.Decisions.Outcome.AwaitCheckIn => "ask",
        Protocol.Decisions.Outcome.Maintain => "",
        _ => "up",
    };

    public static string Symbol(Protocol.Decisions.Outcome? outcome) => Class(outcome) switch
    {
        "stop" => "■",
        "down" => "▼",
        "ask" => "?",
        "up" => "▲",
        _ => outcome is null ? "–" : "=",
    };
}
