using System.Collections.Immutable;
using System.Globalization;
using Microsoft.EntityFrameworkCore;
using Titration.Protocol.Courses;
using Titration.Protocol.Decisions;
using Titration.Protocol.Facts;
using Titration.Protocol.Rules;
using Titration.Storage;
using Titration.Storage.Delivery;
using Titration.Storage.Ledger;
using Titration.Storage.Model;
using Titration.Worker.Configuration;

namespace Titration.Worker.Explaining;

/// <summary>A course that was asked for.</summary>
/// <param name="Course">As it stands.</param>
/// <param name="Decision">The decision by whose id it was asked for; null: it was asked for by another name.</param>
internal sealed record FoundCourse(CourseRow Course, Guid? Decision);

/// <summary>Reads courses from the database of a service, running or not; it writes nothing.</summary>
internal static class CourseReader
{
    /// <summary>So many digits of a course's id are taken for it, as `course list` shows.</summary>
    public const int ShortId = 8;

    /// <summary>The courses that a name means: a course's id or how it begins, a patient's id, or a decision's id.</summary>
    public static async Task<ImmutableArray<FoundCourse>> FindAsync(TitrationDbContext database, string name, CancellationToken cancellationToken)
    {
        string patient = name.StartsWith("Patient/", StringComparison.Ordinal) ? name["Patient/".Length..] : name;
        List<CourseRow> found = await database.Courses.AsNoTracking().Where(c => c.Patient == patient)
            .OrderBy(c => c.Ingredient).ThenBy(c => c.Area).ToListAsync(cancellationToken);
        if (found.Count > 0)
        {
            return [.. found.Select(c => new FoundCourse(c, null))];
        }

        if (Guid.TryParse(name, out Guid id))
        {
            if (await database.Courses.AsNoTracking().FirstOrDefaultAsync(c => c.Id == id, cancellationToken) is { } course)
            {
                return [new FoundCourse(course, null)];
            }

            Guid? decided = await database.DecisionContents.Where(d => d.DecisionId == id).Select(d => d.CourseId).FirstOrDefaultAsync(cancellationToken);
            return await database.Courses.AsNoTracking().FirstOrDefaultAsync(c => c.Id == decided, cancellationToken) is { } its ? [new FoundCourse(its, id)] : [];
        }

        if (name.Length < ShortId || !ulong.TryParse(name.AsSpan(0, ShortId), NumberStyles.AllowHexSpecifier, CultureInfo.InvariantCulture, out _))
        {
            return [];
        }

        List<Guid> ids = await database.Courses.Select(c => c.Id).ToListAsync(cancellationToken);
        ids.RemoveAll(i => !$"{i}".StartsWith(name, StringComparison.OrdinalIgnoreCase));
        return [.. (await database.Courses.AsNoTracking().Where(c => ids.Contains(c.Id)).ToListAsync(cancellationToken)).Select(c => new FoundCourse(c, null))];
    }

    /// <summary>Everything of a course.</summary>
    public static async Task<CourseExplanation> ExplainAsync(TitrationDbContext database, CourseRow course, ClinicPolicy policy, CancellationToken cancellationToken)
    {
        // The facts last: of those that came meanwhile no decision speaks yet.
        List<ChainEntry> chain = await database.DecisionsOf(course.Patient).ToListAsync(cancellationToken);
        List<CommunicationRow> communications = await database.Communications.AsNoTracking().Where(c => c.CourseId == course.Id && c.Patient == course.Patient).ToListAsync(cancellationToken);
        Guid[] keys = [.. communications.Select(c => c.Key)];
        ILookup<Guid, OutboxRow> entries = (await database.Outbox.AsNoTracking().Where(o => o.Patient == course.Patient && keys.Contains(o.CommunicationKey)).ToListAsync(cancellationToken))
            .ToLookup(o => o.CommunicationKey);
        ILookup<Guid, SentResourceRow> sent = (await database.SentResources.AsNoTracking().Where(s => keys.Contains(s.CommunicationKey)).ToListAsync(cancellationToken))
            .ToLookup(s => s.CommunicationKey);
        List<FactRow> facts = await database.Facts.AsNoTracking().Where(f => f.Patient == course.Patient).OrderBy(f => f.Sequence).ToListAsync(cancellationToken);
        ImmutableArray<(long Sequence, Fact Fact)> known = [.. facts.Select(f => (f.Sequence, StoredJson.ReadFact(f.Content)))];
        PatientHistory history = new(course.Patient, [.. known.Select(k => k.Fact)]);
        Evaluation standing = StoredJson.ReadEvaluation(course.Evaluation);
        OperatingMode mode = await database.ModeAsync(cancellationToken);
        AsOf asOf = new(standing.AsOf, policy.Zone);
        ILookup<Guid, AnswerFact> answers = history.Facts.OfType<AnswerFact>().GroupBy(a => (a.Source.Type, a.Source.Id)).Select(g => g.MaxBy(a => a.At)!)
            .ToLookup(a => a.Communication);
        Course identity = new(course.Id, course.Patient, course.Ingredient, course.Area);
        return new CourseExplanation
        {
            Standing = standing,
            Course = identity,
            Policy = policy,
            Mode = mode,
            Record = TitrationPolicy.Records(history, policy.Protocol, asOf).FirstOrDefault(r => r.Course.Id == course.Id),
            Figures = TitrationPolicy.Figures(history, policy.Protocol, asOf).FirstOrDefault(f => f.Course.Id == course.Id),
            Decisions = [.. chain.Where(e => e.Content!.CourseId == course.Id).Select((entry, index) => Explained(entry, index + 1, known, policy))],
            Communications =
            [
                .. communications.OrderBy(c => c.OpenedAt).ThenBy(c => c.Kind).ThenBy(c => c.Cause, StringComparer.Ordinal)
                    .Select(c => CommunicationFate.Of(c, mode, entries[c.Key], [.. answers[c.Key]], sent[c.Key])),
            ],
        };
    }

    private static ExplainedDecision Explained(ChainEntry entry, int number, ImmutableArray<(long Sequence, Fact Fact)> known, ClinicPolicy policy)
    {
        DecisionContentRow content = entry.Content!;
        Evaluation evaluation = StoredJson.ReadEvaluation(content.Content);
        PatientHistory history = new(content.Patient, [.. known.Where(k => k.Sequence <= content.FactSequence).Select(k => k.Fact)]);
        ImmutableArray<Counterfactual>? otherwise = entry.Decision.PolicyHash == policy.Hash ? Counterfactual.Of(evaluation, history, policy.Protocol, new AsOf(evaluation.AsOf, policy.Zone, Follow: policy.Follow)) : null;
        return new ExplainedDecision(
            number, content.DecisionId, content.Sequence, Convert.ToHexStringLower(entry.Decision.Hash), entry.Decision.PolicyHash, content.InputDigest, evaluation, otherwise);
    }
}
