using System.Collections.Immutable;
using System.CommandLine;
using System.CommandLine.Parsing;
using System.Text.Json;
using Titration.Protocol.Decisions;
using Titration.Protocol.Facts;
using Titration.Worker.Explaining;
using Titration.Worker.Pages;

namespace Titration.Worker.Commands;

/// <summary><c>titration course</c>: list, show, report.</summary>
internal static class CourseCommand
{
    private const string WhatAnIdIs = "A course's id or its first 8 characters, a patient's id, or a decision's id, which shows that decision alone.";

    public static Command Create() => new("course", """
        The courses of treatment: where they stand, and why. Works on the database alone, beside the running service, and changes nothing.
        For the clinic's own people: patients stand there by the id that the FHIR server knows.
        """)
    { List(), Show(), Report() };

    private static Command List()
    {
        Option<string?> outcome = new("--outcome") { Description = "Only courses with this outcome, such as Withhold; \"none\": those that have ended." };
        outcome.Validators.Add(CheckOutcome);
        Option<bool> open = new("--open") { Description = "Only courses of which something stands open: a proposal, a referral, a request." };
        Option<bool> json = new("--json") { Description = "For programs." };
        Command command = new("list", """
            Lists the courses by patient: the step in force, the outcome, when it is looked at next, and what stands open.

              titration course list --outcome Withhold
              titration course list --open --json
            """)
        { outcome, open, json };
        command.SetAction((parsed, cancellationToken) => Records.UseAsync(
            (database, settings) => CourseList.WriteAsync(database, settings, parsed.GetValue(outcome), parsed.GetValue(open), parsed.GetValue(json), cancellationToken), cancellationToken));
        return command;
    }

    private static Command Show()
    {
        Argument<string> id = new("id") { Description = WhatAnIdIs };
        Option<DateOnly?> date = new("--date") { Description = "Only what happened on this date, clinic time, such as 2026-03-15." };
        Option<bool> json = new("--json") { Description = "For programs." };
        Command command = new("show", """
            Explains a course: what stands and why, then a timeline of steps, check-ins with their grades, nights, findings, decisions with the rules and
            their numbers, what would have changed them, and messages with what became of them.

              titration course show elm-5
              titration course show elm-5 --date 2026-03-15
              titration course show 5f2c8a1e

            What would have changed a decision was found by making the change and evaluating again. Exit code 1: there is no such course.
            """)
        { id, date, json };
        command.SetAction((parsed, cancellationToken) => ExplainAsync(
            parsed.GetValue(id)!,
            courses =>
            {
                if (parsed.GetValue(json))
                {
                    Console.WriteLine(JsonSerializer.Serialize(courses.Select(c => CourseJson.Of(c.Course, new CourseQuestion(parsed.GetValue(date), c.Decision))), Records.Json));
                }
                else
                {
                    foreach (ToldCourse told in courses)
                    {
                        CourseText.Write(told.Course, new CourseQuestion(parsed.GetValue(date), told.Decision));
                        Console.WriteLine();
                    }
                }

                return ExitCode.Done;
            },
            cancellationToken));
        return command;
    }

    private static Command Report()
    {
        Argument<string> id = new("id") { Description = WhatAnIdIs.Replace(", which shows that decision alone", "", StringComparison.Ordinal) };
        Option<string> output = new("--output") { Description = "The HTML file to write; one that is there is replaced.", Required = true };
        Command command = new("report", """
            Writes a course as one HTML page for reading, printing and keeping: a chart of signs, steps, applications and decisions over time, the same as
            tables, and each decision with its rules, numbers, facts and what would have changed it. The page needs no network and runs no script.

              titration course report elm-5 --output elm-5.html
            """)
        { id, output };
        command.SetAction((parsed, cancellationToken) => ExplainAsync(
            parsed.GetValue(id)!,
            courses =>
            {
                if (courses.Length > 1)
                {
                    return Records.Refuse($"that means {courses.Length} courses; name one: {string.Join(", ", courses.Select(c => $"{c.Course.Course.Id} ({c.Course.Course.Ingredient}, {c.Course.Course.Area})"))}");
                }

                string file = parsed.GetValue(output)!;
                try
                {
                    File.WriteAllText(file, CourseReport.Of(courses[0].Course, courses[0].Clinic));
                }
                catch (Exception problem) when (problem is IOException or UnauthorizedAccessException)
                {
                    return Records.Refuse($"--output: cannot write \"{file}\": {problem.Message}");
                }

                Console.WriteLine($"{Path.GetFullPath(file)}: {courses[0].Course.Decisions.Length} decision(s).");
                return ExitCode.Done;
            },
            cancellationToken));
        return command;
    }

    /// <summary>Finds the courses that a name means, explains them, and hands them on.</summary>
    private static async Task<int> ExplainAsync(string name, Func<ImmutableArray<ToldCourse>, int> use, CancellationToken cancellationToken)
    {
        if (CommandSettings.LoadPolicy() is not { } policy)
        {
            return ExitCode.Usage;
        }

        return await Records.UseAsync(
            async (database, settings) =>
            {
                ImmutableArray<FoundCourse> found = await CourseReader.FindAsync(database, name, cancellationToken);
                if (found.IsEmpty)
                {
                    await Console.Error.WriteLineAsync($"titration: no course, patient or decision is known as {name}; `titration course list` shows the courses");
                    return ExitCode.Found;
                }

                List<ToldCourse> courses = [];
                foreach (FoundCourse course in found)
                {
                    courses.Add(new ToldCourse(await CourseReader.ExplainAsync(database, course.Course, policy, cancellationToken), course.Decision, settings.Options.Clinic.Name));
                }

                return use([.. courses]);
            },
            cancellationToken);
    }

    private static void CheckOutcome(OptionResult result)
    {
        if (result.GetValueOrDefault<string?>() is { } text && text != CourseList.NoOutcome && EnumCode.Parse<Outcome>(text) is null)
        {
            result.AddError($"--outcome takes {string.Join(", ", Enum.GetValues<Outcome>().Select(o => o.Code()))} or {CourseList.NoOutcome}.");
        }
    }

    /// <param name="Course">The course.</param>
    /// <param name="Decision">The one decision that was asked for; null: all.</param>
    /// <param name="Clinic">What the clinic is called.</param>
    private sealed record ToldCourse(CourseExplanation Course, Guid? Decision, string Clinic);
}
