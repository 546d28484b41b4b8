using System.Collections.Immutable;
using System.Security.Cryptography;
using Titration.Protocol.Communications;
using Titration.Protocol.Courses;
using Titration.Protocol.Decisions;
using Titration.Protocol.Facts;
using Titration.Storage.Model;

namespace Titration.Storage.Ledger;

/// <summary>
/// One patient's record within a transaction: loaded by <see cref="PatientQueries.LoadPatientsAsync"/>, saved by the context's
/// SaveChanges. What it is told becomes rows; it decides nothing.
/// </summary>
public sealed class PatientRecord
{
    private readonly TitrationDbContext _database;
    private readonly PatientRow _patient;
    private readonly List<FactRow> _facts;
    private readonly HashSet<(string Type, string Id, string Version, string Hash)> _known;
    private readonly Dictionary<Guid, CourseRow> _courses;
    private readonly Dictionary<Guid, CommunicationRow> _communications;
    private ChainRow? _chain;
    private PatientHistory? _history;
    private (Evaluation? Evaluation, byte[] Utf8) _written;

    internal PatientRecord(
        TitrationDbContext database,
        PatientRow patient,
        ChainRow? chain,
        IEnumerable<FactRow> facts,
        IEnumerable<CourseRow> courses,
        IEnumerable<CommunicationRow> communications)
    {
        _database = database;
        _patient = patient;
        _chain = chain;
        _facts = [.. facts];
        _known = [.. _facts.Select(f => (f.ResourceType, f.ResourceId, f.VersionId, f.ContentHash))];
        _courses = courses.ToDictionary(c => c.Id);
        _communications = communications.ToDictionary(c => c.Key);
    }

    /// <summary>The patient's logical id.</summary>
    public string Patient => _patient.Id;

    /// <summary>All facts, in the order of their arrival; they are read from their bytes when first asked for.</summary>
    public PatientHistory History =>
        _history ??= new PatientHistory(Patient, [.. _facts.Select(f => StoredJson.ReadFact(f.Content))]);

    /// <summary>The facts as stored, with the traces of the messages that brought them.</summary>
    public IReadOnlyList<FactRow> Facts => _facts;

    /// <summary>The courses as they stand.</summary>
    public IReadOnlyCollection<CourseRow> Courses => _courses.Values;

    /// <summary>The communications that stand; of those withdrawn only proposals, since an approval may still come in.</summary>
    public IReadOnlyCollection<CommunicationRow> Communications => _communications.Values;

    /// <summary>The id that the next decision will have.</summary>
    public Guid NextDecisionId => Reconciliation.DecisionId(Patient, NextDecisionSequence);

    private ChainRow Chain => _chain ??= _database.Chains.Add(DecisionChain.Empty(_patient.ChainId)).Entity;

    private long NextDecisionSequence => (_chain?.Length ?? 0) + 1;

    /// <summary>The instant to evaluate at: now, cut to the millisecond, but never before the patient's last decision.</summary>
    public DateTimeOffset AsOf(DateTimeOffset now) => _patient.LastDecidedAt is { } last && last > now ? last : now.Cut();

    /// <summary>What the evaluation that stands for a course comes to; null where there is none yet.</summary>
    public StandingOutcome? StandingOutcome(Guid courseId) =>
        _courses.TryGetValue(courseId, out CourseRow? course) ? StoredJson.ReadOutcome(course.Evaluation) : null;

    /// <summary>Takes in facts and returns those that were new; what is there already is passed over.</summary>
    public ImmutableArray<Fact> AddFacts(IEnumerable<ReceivedFact> received)
    {
        ImmutableArray<Fact>.Builder added = ImmutableArray.CreateBuilder<Fact>();
        foreach (ReceivedFact item in received.Where(item => IsNew(item.Fact)))
        {
            FactRow row = FactRow.Of(item.Fact, _patient.NextFactSequence++, item.ReceivedAt, item.TraceParent);
            FactChain.Append(Chain, row);
            _facts.Add(row);
            _database.Facts.Add(row);
            added.Add(item.Fact);
        }

        if (added.Count > 0 && _history is not null)
        {
            _history = _history with { Facts = _history.Facts.AddRange(added) };
        }

        return added.DrainToImmutable();
    }

    /// <summary>Records a decision at the end of the patient's chain and returns its id.</summary>
    /// <param name="evaluation">Its instant must not precede the last decision (see <see cref="AsOf"/>).</param>
    /// <param name="policyHash">The policy that it was made by.</param>
    /// <param name="inputDigest">Digest of the facts that went in.</param>
    public Guid AppendDecision(Evaluation evaluation, string policyHash, string inputDigest)
    {
        RequireOwn(evaluation);
        DateTimeOffset decidedAt = evaluation.AsOf.Cut();
        if (_patient.LastDecidedAt > decidedAt)
        {
            throw new ArgumentException("The evaluation lies before the patient's last decision.", nameof(evaluation));
        }

        DecisionContentRow content = new()
        {
            DecisionId = NextDecisionId,
            ChainId = Chain.Id,
            Sequence = NextDecisionSequence,
            Patient = Patient,
            CourseId = evaluation.Course?.Id,
            Outcome = evaluation.Outcome,
            Rule = evaluation.Reasons.IsEmpty ? "" : evaluation.Reasons[0].Rule,
            InputDigest = inputDigest,
            FactSequence = Chain.Facts,
            FactHead = Chain.FactHead,
            Salt = RandomNumberGenerator.GetBytes(DecisionChain.SaltLength),
            Content = Written(evaluation),
        };
        _database.AddRange(DecisionChain.Append(Chain, content, decidedAt, policyHash), content);
        _patient.LastDecidedAt = decidedAt;
        return content.DecisionId;
    }

    /// <summary>
    /// What stands of a course (null: of the patient without a course), for <see cref="Reconciliation.Of"/>. What was answered is
    /// among it as long as its grounds are there, so that it is not raised again.
    /// </summary>
    public ImmutableArray<StandingCommunication> StandingCommunications(Guid? courseId) =>
    [
        .. _communications.Values
            .Where(c => c.CourseId == courseId && c.State == CommunicationState.Standing)
            .Select(c => new StandingCommunication(c.Key, c.Kind, c.Cause, c.OverdueSince is not null)),
    ];

    /// <summary>Opens and closes communications as a reconciliation says, and puts into the outbox what has to leave for it.</summary>
    public void Reconcile(Reconciliation difference, Guid? courseId, Guid decisionId, DateTimeOffset at, string? traceParent = null)
    {
        // Withdrawals first: of two proposals for one course never both are open.
        foreach (GoneCommunication gone in difference.Withdraw)
        {
            CommunicationRow row = _communications[gone.Communication.Key];
            Send(OutboxAction.Withdraw, row, StoredJson.ReadIntent(row.Intent).Priority, decisionId, at, traceParent, reason: gone.Reason);
            row.State = CommunicationState.Withdrawn;
            row.ClosedBy = decisionId;
        }

        foreach (NewCommunication added in difference.Issue)
        {
            CommunicationIntent intent = added.Intent;
            CommunicationRow row = Open(added, courseId, decisionId, at);
            bool paced = intent is { Audience: Audience.Patient, IsSafety: false, NeedsApproval: false }
                or { Kind: CommunicationKind.StepChange, IsSafety: false }
                or { Reminds: not null, Priority: Priority.Routine };
            Send(OutboxAction.Issue, row, intent.Priority, decisionId, at, traceParent, paced);
        }

        foreach (StandingCommunication overdue in difference.HandOver)
        {
            CommunicationRow row = _communications[overdue.Key];
            row.OverdueSince = at;
            Priority priority = StoredJson.ReadIntent(row.Intent).Priority;
            Send(OutboxAction.HandOver, row, priority, decisionId, at, traceParent, paced: priority == Priority.Routine);
        }
    }

    /// <summary>An approved proposal has come into force: its message leaves for the patient.</summary>
    public void Activate(CommunicationRow proposal, Guid decisionId, DateTimeOffset at, string? traceParent = null)
    {
        CommunicationIntent intent = StoredJson.ReadIntent(proposal.Intent);
        proposal.State = CommunicationState.Activated;
        Send(OutboxAction.Activate, proposal, intent.Priority, decisionId, at, traceParent, paced: !intent.IsSafety);
    }

    /// <summary>Takes the message of a proposal back for good: it is active and treatment must stop, or nothing can come of it any more.</summary>
    public void TakeBack(CommunicationRow proposal, Guid decisionId, DateTimeOffset at, string? traceParent = null)
    {
        proposal.State = CommunicationState.TakenBack;
        proposal.ClosedBy = decisionId;
        Send(OutboxAction.Withdraw, proposal, Priority.Urgent, decisionId, at, traceParent, reason: WithdrawalReason.Superseded);
    }

    /// <summary>Keeps an evaluation as what stands for its course. One without a course leaves no row.</summary>
    public void Materialise(Evaluation evaluation, string policyHash)
    {
        RequireOwn(evaluation);
        foreach (CommunicationRow communication in _communications.Values.Where(c => c.CourseId == evaluation.Course?.Id && c.OverdueSince is not null))
        {
            // Answered, or taken in hand: it is none of the digest's any more.
            bool overdue = evaluation.Communications.Any(i => i.Overdue && i.Kind == communication.Kind && i.Cause == communication.Cause);
            communication.OverdueSince = overdue ? communication.OverdueSince : null;
        }

        if (evaluation.Course is not { } course)
        {
            return;
        }

        if (!_courses.TryGetValue(course.Id, out CourseRow? row))
        {
            row = new CourseRow
            {
                Id = course.Id,
                Patient = Patient,
                Ingredient = course.Ingredient,
                Area = course.Area,
                Evaluation = [],
                EvaluatedAt = evaluation.AsOf,
                PolicyHash = policyHash,
            };
            _courses.Add(row.Id, row);
            _database.Courses.Add(row);
        }

        row.Outcome = evaluation.Outcome;
        row.Step = evaluation.Step is { } step ? StepText.Of(step.Step) : null;
        row.StepSince = evaluation.Step?.Since;
        row.NextLook = evaluation.NextLook;
        row.Evaluation = Written(evaluation);
        row.EvaluatedAt = evaluation.AsOf;
        row.PolicyHash = policyHash;
    }

    /// <summary>Says when the sweep looks again (the earliest of all courses; null: never) and gives its lease back.</summary>
    public void LookAgainAt(DateTimeOffset? nextLook)
    {
        _patient.NextLook = nextLook;
        _patient.LeasedUntil = null;
    }

    /// <summary>The bytes of an evaluation: the same for its decision and its course.</summary>
    private byte[] Written(Evaluation evaluation)
    {
        _written = ReferenceEquals(_written.Evaluation, evaluation) ? _written : (evaluation, StoredJson.Write(evaluation));
        return _written.Utf8;
    }

    private bool IsNew(Fact fact)
    {
        if (fact.Patient != Patient)
        {
            throw new ArgumentException("The fact is another patient's.", nameof(fact));
        }

        return _known.Add((fact.Source.Type, fact.Source.Id, fact.Source.VersionId ?? "", fact.Source.ContentHash));
    }

    private CommunicationRow Open(NewCommunication added, Guid? courseId, Guid decisionId, DateTimeOffset at)
    {
        CommunicationIntent intent = added.Intent;
        CommunicationRow row = new()
        {
            Key = added.Key,
            Patient = Patient,
            CourseId = courseId,
            Kind = intent.Kind,
            Cause = intent.Cause,
            DecisionId = decisionId,
            Intent = StoredJson.Write(intent),
            State = CommunicationState.Standing,
            OpenedAt = at,
            Replaces = added.Replaces,
            // What comes so late goes to the pool at once.
            OverdueSince = intent.Overdue ? at : null,
        };
        _communications.Add(row.Key, row);
        _database.Communications.Add(row);
        return row;
    }

    private void Send(
        OutboxAction action, CommunicationRow communication, Priority priority, Guid decisionId, DateTimeOffset at, string? traceParent,
        bool paced = false, WithdrawalReason? reason = null) =>
        _database.Outbox.Add(new OutboxRow
        {
            Patient = Patient,
            Sequence = _patient.NextOutboxSequence++,
            Rank = priority switch { Priority.Stat => 0, Priority.Urgent => 1, Priority.Routine => 2 },
            Action = action,
            Kind = communication.Kind,
            Paced = paced,
            Reason = reason,
            CommunicationKey = communication.Key,
            DecisionId = decisionId,
            State = OutboxState.Pending,
            CreatedAt = at,
            TraceParent = traceParent,
        });

    private void RequireOwn(Evaluation evaluation)
    {
        if (evaluation.Patient != Patient)
        {
            throw new ArgumentException("The evaluation is another patient's.", nameof(evaluation));
        }
    }
}
