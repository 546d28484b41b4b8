using System.Collections.Immutable;
using Titration.Protocol.Communications;
using Titration.Protocol.Courses;
using Titration.Protocol.Decisions;
using Titration.Protocol.Facts;

namespace Titration.Protocol.Rules;

/// <summary>What cannot be decided without a clinician's word: each once per cause.</summary>
internal static class Reviews
{
    public static void Speak(CourseTimeline course, Voices voices)
    {
        foreach (PrescriptionFact order in course.Orders.NotAdopted)
        {
            Dosage(course, voices, order);
        }

        foreach (ResourceVersion tied in course.Tied)
        {
            Raise(course, voices, RuleIds.TiedVersions, $"{tied.Type}:{tied.Id}", Priority.Routine, tied.LastUpdated,
                "the newest version of a resource cannot be told from its dates; the more cautious reading stands", [tied]);
        }

        if (course.ApprovedWithoutGrounds is { } approval)
        {
            Raise(course, voices, RuleIds.GroundsGone, approval.Communication.ToString(), Priority.Routine, approval.At,
                "a step was approved after what it rested on had changed; the patient was not told of it", [approval.Source]);
        }

        if (course.Patient is { } patient)
        {
            Person(course, voices, patient);
        }

        OverUse(course, voices);
    }

    /// <summary>Whether the patient's age allows a step up without a question: known, and not under the product's minimum.</summary>
    public static bool AgeKnown(CourseTimeline course) => course.Patient?.BirthDate is not null;

    public static bool AgeUnknown(CourseTimeline course, Voices voices) =>
        Raise(course, voices, RuleIds.AgeUnknown, course.Course.Id.ToString(), Priority.Routine, null,
            $"the patient's age is not known; {course.Course.Ingredient} is for {MinimumAge(course)} years and over", []);

    private static void Dosage(CourseTimeline course, Voices voices, PrescriptionFact order)
    {
        bool over = course.Orders.IsOverMaximum(order);
        string text = over
            ? $"the order gives {order.Phases.Max(p => p.GramsPerApplication):0.###} g per application to the face; more than {course.Protocol.Dose.FaceMaximumGrams:0.###} g is never adopted without a question"
            : $"the dosage cannot be read with certainty ({string.Join(", ", order.Doubts.Select(d => d.Code()))}); the last step in force stays";
        Raise(course, voices, over ? RuleIds.DoseOverMaximum : RuleIds.DosageUncertain, order.Source.Id, over ? Priority.Urgent : Priority.Routine,
            order.AuthoredOn.StartIn(course.AsOf.Zone), text, [order.Source]);
    }

    private static void Person(CourseTimeline course, Voices voices, PatientFact patient)
    {
        if (patient.ReplacedBy is not null)
        {
            Raise(course, voices, RuleIds.MergedPatient, patient.Source.Id, Priority.Routine, patient.Source.LastUpdated,
                "the patient's record was merged into another", [patient.Source]);
        }

        int minimum = MinimumAge(course);
        if (patient.BirthDate is { } born && ComingOfAge(born, minimum) is var ofAge && ofAge > course.Today)
        {
            voices.LookOn(ofAge);
            Raise(course, voices, RuleIds.AgeUnderMinimum, course.Course.Id.ToString(), Priority.Routine, null,
                $"the patient is under {minimum} years, the label's minimum for {course.Course.Ingredient}", [patient.Source]);
        }
    }

    /// <summary>The product's own minimum where its label has one, else its ingredient's.</summary>
    private static int MinimumAge(CourseTimeline course) => course.Orders.Order?.Product.MinimumAgeYears ?? course.Product.MinimumAgeYears;

    private static DateOnly ComingOfAge(DateOnly born, int years) => born.AddYears(Math.Min(years, DateOnly.MaxValue.Year - born.Year));

    /// <summary>
    /// Applications on the step, those of withheld nights too, over the plan times the limit. The plan is taken in whole applications, since
    /// alternate nights that begin on day 0 put three into five nights.
    /// </summary>
    private static void OverUse(CourseTimeline course, Voices voices)
    {
        if (course.Segment is not { } segment)
        {
            return;
        }

        Exposure exposure = course.OnStep;
        decimal used = 0m;
        foreach (NightReport report in course.ReportsOnStep)
        {
            used += course.UsedOn(report, segment);
        }

        if (used > course.Protocol.Supply.OverUse * Math.Ceiling(exposure.Planned))
        {
            ImmutableArray<ResourceVersion> evidence = [.. course.ReportsOnStep.Select(r => r.Source)];
            Raise(course, voices, RuleIds.OverUse, $"{segment.Since:O}", Priority.Routine, null,
                $"{used:0.##} applications of {exposure.Planned:0.##} planned, over {course.Protocol.Supply.OverUse:0.##} times the plan", evidence);
        }
    }

    /// <summary>Raises a review, once: one whose Task was answered is not raised again by the same facts.</summary>
    /// <returns>Whether it stands.</returns>
    private static bool Raise(
        CourseTimeline course, Voices voices, string rule, string key, Priority priority, DateTimeOffset? at, string text,
        ImmutableArray<ResourceVersion> evidence)
    {
        if (course.Answers.AnsweredAt(CommunicationKind.Review, $"{rule}:{key}") is not null)
        {
            return false;
        }

        voices.Say(rule, Outcome.RequestReview, text, evidence);
        DateTimeOffset since = at is { } known && known <= course.AsOf.Instant ? known : ClinicZone.StartOf(course.Segment?.Since ?? course.Day0, course.AsOf.Zone);
        voices.Tell(Intents.Review(course, rule, $"{rule}:{key}", priority, since, text, evidence));
        return true;
    }
}
