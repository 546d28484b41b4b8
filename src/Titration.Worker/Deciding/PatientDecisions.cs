using System.Collections.Immutable;
using System.Diagnostics;
using System.Security.Cryptography;
using System.Text;
using Microsoft.EntityFrameworkCore;
using Titration.Protocol.Communications;
using Titration.Protocol.Courses;
using Titration.Protocol.Decisions;
using Titration.Protocol.Facts;
using Titration.Protocol.Rules;
using Titration.Storage;
using Titration.Storage.Ledger;
using Titration.Storage.Model;
using Titration.Worker.Configuration;
using Titration.Worker.Delivery;
using Titration.Worker.Telemetry;

namespace Titration.Worker.Deciding;

/// <summary>
/// Load, decide, save: one transaction from facts to outbox. What arrives and what falls due take the same way.
/// </summary>
public sealed class PatientDecisions(
    IDbContextFactory<TitrationDbContext> contexts, Settings settings, PolicyGate policy, TimeProvider time, OutboxSignal outbox, TitrationTelemetry telemetry)
{
    /// <summary>A draft that an approval left standing is looked after for so long: each further proposal would ask for it again.</summary>
    private static readonly TimeSpan Remembered = TimeSpan.FromDays(60);

    /// <summary>
    /// The old order may be stopped before the new one arrives: an approved draft waits so long for it, as long as a declined proposal is not made
    /// again. Common practice, no source.
    /// </summary>
    private static readonly TimeSpan OrderExpectedWithin = TimeSpan.FromDays(14);

    /// <summary>Takes facts in and decides for their patients.</summary>
    /// <param name="admit">First of all in the transaction: the facts to take in, of any number of patients. Those already known change nothing.</param>
    /// <param name="alongside">What else belongs into the same transaction, such as a quarantined entry of the same Bundle.</param>
    /// <param name="cancellationToken">Ends it before anything is kept.</param>
    public async Task TakeInAsync(
        Func<TitrationDbContext, Task<IReadOnlyCollection<ReceivedFact>>> admit, Func<TitrationDbContext, Task> alongside, CancellationToken cancellationToken)
    {
        PolicyTime inForce = await policy.RequireAsync(cancellationToken);
        await using TitrationDbContext database = await contexts.CreateDbContextAsync(cancellationToken);
        await using var transaction = await database.Database.BeginTransactionAsync(cancellationToken);
        IReadOnlyCollection<ReceivedFact> facts = await admit(database);
        ILookup<string, ReceivedFact> byPatient = facts.ToLookup(f => f.Fact.Patient, StringComparer.Ordinal);
        if (facts.Count > 0)
        {
            foreach (PatientRecord patient in await database.LoadPatientsAsync(byPatient.Select(g => g.Key), cancellationToken))
            {
                ImmutableArray<Fact> added = patient.AddFacts(byPatient[patient.Patient]);
                if (!added.IsEmpty)
                {
                    await DecideAsync(database, patient, added, inForce, byPatient[patient.Patient].First().TraceParent, cancellationToken);
                }
            }
        }

        await alongside(database);
        await database.SaveChangesAsync(cancellationToken);
        await transaction.CommitAsync(cancellationToken);
        outbox.Raise();
    }

    /// <summary>Looks at patients whose time has come, in one transaction. Those who were erased meanwhile are passed over.</summary>
    public async Task LookAsync(IReadOnlyCollection<string> patients, CancellationToken cancellationToken)
    {
        PolicyTime inForce = await policy.RequireAsync(cancellationToken);
        await using TitrationDbContext database = await contexts.CreateDbContextAsync(cancellationToken);
        await using var transaction = await database.Database.BeginTransactionAsync(cancellationToken);
        foreach (PatientRecord record in await database.LoadKnownPatientsAsync(patients, cancellationToken))
        {
            await DecideAsync(database, record, added: [], inForce, traceParent: null, cancellationToken);
        }

        await database.SaveChangesAsync(cancellationToken);
        await transaction.CommitAsync(cancellationToken);
        outbox.Raise();
    }

    private async Task DecideAsync(
        TitrationDbContext database, PatientRecord patient, ImmutableArray<Fact> added, PolicyTime inForce, string? traceParent, CancellationToken cancellationToken)
    {
        using Activity? activity = telemetry.Evaluate(settings.Marks?.InTelemetry(patient.Patient), traceParent, patient.Facts.Reverse().Select(f => f.TraceParent).OfType<string>());
        DateTimeOffset asOf = patient.AsOf(time.GetUtcNow());
        string digest = DigestOf(patient.History);
        ImmutableArray<Evaluation> evaluations = TitrationPolicy.Evaluate(patient.History, settings.Policy.Protocol, new AsOf(asOf, settings.Policy.Zone, inForce.Since, settings.Policy.Follow));
        foreach (Evaluation evaluation in await WithGoneAsync(database, patient, evaluations, asOf, cancellationToken))
        {
            telemetry.Evaluated(evaluation);
            Apply(patient, evaluation, added, digest, activity?.Id ?? traceParent);
        }

        // When another policy comes into force everybody is looked at again who was decided about since it was adopted.
        IEnumerable<DateTimeOffset?> looks = [.. evaluations.Select(e => e.NextLook), .. ExpectingOrder(patient, asOf).Values.Select(until => (DateTimeOffset?)until), inForce.Until];
        patient.LookAgainAt(looks.Min());
    }

    private void Apply(PatientRecord patient, Evaluation evaluation, ImmutableArray<Fact> added, string digest, string? traceParent)
    {
        using Activity? activity = telemetry.Decide(evaluation, settings.Policy);
        traceParent = activity?.Id ?? traceParent;
        ImmutableArray<CommunicationRow> approved = ApprovedInForce(patient, evaluation);
        Guid? course = evaluation.Course?.Id;
        Reconciliation difference = Reconciliation.Of(patient.StandingCommunications(course), evaluation, patient.NextDecisionId, added);
        Dictionary<Guid, DateTimeOffset> expecting = ExpectingOrder(patient, evaluation.AsOf);
        // Neither what may reach the patient now nor what still waits for its order.
        difference = difference with
        {
            Withdraw =
            [
                .. difference.Withdraw.Where(w => !approved.Any(a => a.Key == w.Communication.Key)
                    && (w.Reason != WithdrawalReason.CourseEnded || !expecting.ContainsKey(w.Communication.Key))),
            ],
        };
        ImmutableArray<CommunicationRow> takenBack = [.. TakenBack(patient, evaluation), .. AnsweredTooLate(patient, evaluation, difference, added, approved)];
        bool same = course is { } id && patient.StandingOutcome(id)?.IsThatOf(evaluation) == true;
        if (!difference.IsEmpty || !approved.IsEmpty || !takenBack.IsEmpty || (!same && course is not null))
        {
            Guid decision = patient.AppendDecision(evaluation, settings.Policy.Hash, digest);
            activity?.SetTag("titration.decision.id", decision.ToString());
            foreach (CommunicationRow proposal in approved)
            {
                patient.Activate(proposal, decision, evaluation.AsOf, traceParent);
            }

            foreach (CommunicationRow proposal in takenBack)
            {
                patient.TakeBack(proposal, decision, evaluation.AsOf, traceParent);
            }

            patient.Reconcile(difference, course, decision, evaluation.AsOf, traceParent);
            foreach (StandingCommunication overdue in difference.HandOver)
            {
                telemetry.HandedOver(evaluation.Communications.First(c => c.Kind == overdue.Kind && c.Cause == overdue.Cause).Priority);
            }
        }

        patient.Materialise(evaluation, settings.Policy.Hash);
    }

    /// <summary>
    /// Proposals whose message may reach the patient now: approved, in force, nothing that must stop speaks, and the grounds held when they were
    /// approved.
    /// </summary>
    private ImmutableArray<CommunicationRow> ApprovedInForce(PatientRecord patient, Evaluation evaluation)
    {
        if (evaluation is not { Outcome: > Outcome.Withhold, Step: { } step, Course: { } course })
        {
            return [];
        }

        AnswerFact? approval = patient.History.Facts.OfType<AnswerFact>()
            .Where(a => a is { Kind: CommunicationKind.StepChange, Answer: TaskAnswer.Approved, Proposed: not null } && a.Course == course.Id).MaxBy(a => a.At);
        bool inForce = approval is not null && step.Step.SameDosage(approval.Proposed!)
            && step.Since >= ClinicZone.DateOf(approval.ProposedAt, settings.Policy.Zone);
        return inForce && Grounds.Hold(patient.History, approval!, settings.Policy.Protocol, settings.Policy.Zone)
            ? [.. patient.Communications.Where(c => c.Key == approval!.Communication && c.State is CommunicationState.Standing or CommunicationState.Withdrawn)]
            : [];
    }

    /// <summary>Approved drafts whose order may still be on its way, each with the instant until when.</summary>
    private static Dictionary<Guid, DateTimeOffset> ExpectingOrder(PatientRecord patient, DateTimeOffset asOf)
    {
        HashSet<Guid> drafts = [.. patient.Communications.Where(c => c is { Kind: CommunicationKind.StepChange, State: CommunicationState.Standing }).Select(c => c.Key)];
        return drafts.Count == 0 ? [] : patient.History.Facts.OfType<AnswerFact>()
            .Where(a => a.Answer == TaskAnswer.Approved && drafts.Contains(a.Communication) && a.At + OrderExpectedWithin > asOf)
            .GroupBy(a => a.Communication).ToDictionary(g => g.Key, g => g.Max(a => a.At) + OrderExpectedWithin);
    }

    /// <summary>Messages of a step that are active although treatment must stop now.</summary>
    private static IEnumerable<CommunicationRow> TakenBack(PatientRecord patient, Evaluation evaluation) =>
        evaluation.Outcome <= Outcome.Withhold
            ? patient.Communications.Where(c => c.CourseId == evaluation.Course?.Id && c.State == CommunicationState.Activated)
            : [];

    /// <summary>
    /// Proposals that were withdrawn before their answer was known. Where a clinician has answered, the withdrawal leaves the draft to the answer. One
    /// that approves nothing takes it away; an approval waits for its order, which may be on its way, until another step is proposed instead.
    /// </summary>
    private static IEnumerable<CommunicationRow> AnsweredTooLate(
        PatientRecord patient, Evaluation evaluation, Reconciliation difference, ImmutableArray<Fact> added, ImmutableArray<CommunicationRow> approved)
    {
        bool another = difference.Issue.Any(i => i.Intent.Kind == CommunicationKind.StepChange);
        IEnumerable<Fact> answers = another ? patient.History.Facts : added;
        HashSet<Guid> answered =
        [
            .. answers.OfType<AnswerFact>()
                .Where(a => a.Answer is TaskAnswer.Done or TaskAnswer.Declined || (a.Answer == TaskAnswer.Approved && another && a.At >= evaluation.AsOf - Remembered))
                .Select(a => a.Communication),
        ];
        return patient.Communications.Where(c => answered.Contains(c.Key) && c is { Kind: CommunicationKind.StepChange, State: CommunicationState.Withdrawn }
            && c.OpenedAt >= evaluation.AsOf - Remembered && c.CourseId == evaluation.Course?.Id && !approved.Contains(c));
    }

    /// <summary>
    /// The evaluations, and for each course that the facts no longer make (its orders were entered in error) one that ends it. What was
    /// said to the patient without a course ends the same way.
    /// </summary>
    private static async Task<ImmutableArray<Evaluation>> WithGoneAsync(
        TitrationDbContext database, PatientRecord patient, ImmutableArray<Evaluation> evaluations, DateTimeOffset asOf, CancellationToken cancellationToken)
    {
        ImmutableArray<Evaluation>.Builder all = ImmutableArray.CreateBuilder<Evaluation>();
        all.AddRange(evaluations);
        HashSet<Guid> present = [.. evaluations.Where(e => e.Course is not null).Select(e => e.Course!.Id)];
        foreach (CourseRow gone in patient.Courses.Where(c => !present.Contains(c.Id)).ToArray())
        {
            // What was decided, not what was looked at since: that is in the record, and the end can be replayed from it.
            Evaluation standing = await database.LastDecidedAsync(patient.Patient, gone.Id, cancellationToken) ?? StoredJson.ReadEvaluation(gone.Evaluation);
            all.Add(EndedCourse.Of(standing, asOf));
        }

        if (evaluations.All(e => e.Course is not null) && !patient.StandingCommunications(null).IsEmpty)
        {
            all.Add(EndedCourse.WithoutCourse(patient.Patient, asOf));
        }

        return all.DrainToImmutable();
    }

    /// <summary>SHA-256 over the sources of all facts that went in, whatever order they came in.</summary>
    internal static string DigestOf(PatientHistory history)
    {
        IEnumerable<string> sources = history.Facts
            .Select(f => $"{f.Source.Type}/{f.Source.Id}/{f.Source.VersionId}/{f.Source.ContentHash}").Order(StringComparer.Ordinal);
        return Convert.ToHexStringLower(SHA256.HashData(Encoding.UTF8.GetBytes(string.Join('\n', sources))));
    }
}
