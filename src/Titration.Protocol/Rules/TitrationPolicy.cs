using System.Collections.Immutable;
using Titration.Protocol.Courses;
using Titration.Protocol.Decisions;
using Titration.Protocol.Definitions;
using Titration.Protocol.Doses;
using Titration.Protocol.Facts;

namespace Titration.Protocol.Rules;

/// <summary>
/// The clinic's policy as a pure function: all facts of a patient, the protocol and an instant in, what should stand out. The same
/// facts in any order, however often, give the same evaluations.
/// </summary>
public static class TitrationPolicy
{
    /// <summary>An evaluation for each course of the patient, and one without a course where an emergency belongs to none.</summary>
    public static ImmutableArray<Evaluation> Evaluate(PatientHistory history, ProtocolDefinition protocol, AsOf asOf)
    {
        FactSelection facts = FactSelection.Of(history.Facts, asOf);
        DateTimeOffset? nextFact = NextFactAt(history, asOf);
        NotFollowed? notFollowed = Enrolment.Of(facts, asOf);
        ImmutableArray<Evaluation>.Builder evaluations = ImmutableArray.CreateBuilder<Evaluation>();
        DateOnly coveredUntil = DateOnly.MinValue;
        foreach ((Course course, List<ImmutableArray<PrescriptionFact>> orders) in CoursesOf(history.Patient, facts, protocol))
        {
            CourseTimeline timeline = CourseTimeline.Of(course, orders, facts, protocol, asOf);
            if (timeline.Answers.Approved is [.., var approval] && !IsPast(approval, timeline) && !Grounds.Hold(history, approval, protocol, asOf.Zone))
            {
                timeline.ApprovedWithoutGrounds = approval;
            }

            if (timeline.Orders is { State: OrderState.NotBegun, NextOrderAt: not null })
            {
                evaluations.Add(CourseEvaluation.NotBegun(timeline, nextFact));
            }
            else if (timeline.Orders.State != OrderState.NotBegun)
            {
                evaluations.Add(CourseEvaluation.Of(timeline, nextFact, notFollowed));
                DateOnly covered = timeline.Orders.EndedOn?.AddDays(protocol.Severity.AfterEndDays) ?? DateOnly.MaxValue;
                coveredUntil = covered > coveredUntil ? covered : coveredUntil;
            }
        }

        if (EmergencyWithoutCourse.Of(history.Patient, facts, protocol, asOf, coveredUntil, nextFact) is { } emergency)
        {
            evaluations.Add(emergency);
        }

        return evaluations.DrainToImmutable();
    }

    /// <summary>Whether an approval had come into force before this policy did: a new policy never judges the past.</summary>
    private static bool IsPast(AnswerFact approval, CourseTimeline course) =>
        course.AsOf.PolicySince is { } since && approval.At < since
        && course.Segment is { } segment && segment.OrderedAt < since && approval.Proposed?.SameDosage(segment.Step) == true;

    /// <summary>What each course that has begun comes to in numbers, in the order of the evaluations.</summary>
    public static ImmutableArray<CourseFigures> Figures(PatientHistory history, ProtocolDefinition protocol, AsOf asOf) =>
        [.. Begun(history, protocol, asOf).Select(CourseFigures.Of)];

    /// <summary>Each course that has begun over time, in the order of the evaluations.</summary>
    public static ImmutableArray<CourseRecord> Records(PatientHistory history, ProtocolDefinition protocol, AsOf asOf) =>
        [.. Begun(history, protocol, asOf).Select(CourseRecord.Of)];

    /// <summary>The timelines of the courses that have begun, with their withheld nights.</summary>
    private static IEnumerable<CourseTimeline> Begun(PatientHistory history, ProtocolDefinition protocol, AsOf asOf)
    {
        FactSelection facts = FactSelection.Of(history.Facts, asOf);
        foreach ((Course course, List<ImmutableArray<PrescriptionFact>> orders) in CoursesOf(history.Patient, facts, protocol))
        {
            CourseTimeline timeline = CourseTimeline.Of(course, orders, facts, protocol, asOf);
            if (timeline.Orders.State != OrderState.NotBegun)
            {
                CourseEvaluation.FindWithheldNights(timeline, new Voices(timeline));
                yield return timeline;
            }
        }
    }

    /// <summary>Orders of one ingredient and area, from the patient's products that the protocol titrates, in the order of their courses' ids.</summary>
    private static IEnumerable<(Course Course, List<ImmutableArray<PrescriptionFact>> Orders)> CoursesOf(
        string patient, FactSelection facts, ProtocolDefinition protocol)
    {
        Dictionary<(string Ingredient, string Area), List<ImmutableArray<PrescriptionFact>>> courses = ByIngredientAndArea(facts.Prescriptions);
        foreach (((string, string) key, List<ImmutableArray<PrescriptionFact>> withdrawn) in ByIngredientAndArea(facts.Withdrawn))
        {
            courses.TryAdd(key, withdrawn);
        }

        List<(string Ingredient, string Area)> keys = [.. courses.Keys];
        keys.Sort((a, b) => string.CompareOrdinal(a.Ingredient, b.Ingredient) is not 0 and var byIngredient ? byIngredient : string.CompareOrdinal(a.Area, b.Area));
        foreach ((string Ingredient, string Area) key in keys)
        {
            if (protocol.ProductOf(key.Ingredient) is not null)
            {
                yield return (Course.Of(patient, key.Ingredient, key.Area), courses[key]);
            }
        }
    }

    private static Dictionary<(string Ingredient, string Area), List<ImmutableArray<PrescriptionFact>>> ByIngredientAndArea(
        ImmutableArray<ImmutableArray<PrescriptionFact>> prescriptions)
    {
        Dictionary<(string, string), List<ImmutableArray<PrescriptionFact>>> courses = [];
        foreach (ImmutableArray<PrescriptionFact> versions in prescriptions)
        {
            PrescriptionFact last = versions[^1];
            if (last.Product.Role == ProductRole.Titrated)
            {
                (string, string) key = (last.Product.Ingredient, last.Area);
                ImmutableArray<PrescriptionFact> same = versions.RemoveAll(v => v.Product.Ingredient != last.Product.Ingredient || v.Area != last.Area);
                if (courses.TryGetValue(key, out List<ImmutableArray<PrescriptionFact>>? orders))
                {
                    orders.Add(same);
                }
                else
                {
                    courses.Add(key, [same]);
                }
            }
        }

        return courses;
    }

    /// <summary>The first instant after now at which a fact that is already known begins to count.</summary>
    private static DateTimeOffset? NextFactAt(PatientHistory history, AsOf asOf)
    {
        DateTimeOffset? next = null;
        foreach (Fact fact in history.Facts)
        {
            switch (fact)
            {
                case ObservationFact observation:
                    Consider(observation.Effective.StartIn(asOf.Zone));
                    break;
                case PrescriptionFact prescription:
                    Consider(prescription.AuthoredOn.StartIn(asOf.Zone));
                    Consider(prescription.Source.LastUpdated);
                    break;
            }
        }

        return next;

        void Consider(DateTimeOffset? instant)
        {
            if (instant > asOf.Instant && !(instant >= next))
            {
                next = instant;
            }
        }
    }
}
