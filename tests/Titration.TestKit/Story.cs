using System.Collections.Immutable;
using System.Globalization;
using System.Security.Cryptography;
using System.Text;
using Titration.Protocol.Communications;
using Titration.Protocol.Courses;
using Titration.Protocol.Decisions;
using Titration.Protocol.Definitions;
using Titration.Protocol.Facts;
using Titration.Protocol.Rules;

namespace Titration.TestKit;

/// <summary>
/// A patient's story in facts, told in the clinic's local time. Defaults are the happy path: an adult, tretinoin 0.025 % cream, alternate
/// nights, 0.25 g, complete check-ins by the patient with nothing to see; a test states only what it is about.
/// </summary>
public sealed class Story
{
    private readonly List<Fact> _facts = [];
    private int _observations;

    public Story(string zone = "Europe/London", DateOnly? born = null, bool ageKnown = true)
    {
        Zone = TimeZoneInfo.FindSystemTimeZoneById(zone);
        _facts.Add(new PatientFact
        {
            Source = Source("Patient", "p1", "1", null, "patient"),
            Patient = "p1",
            BirthDate = ageKnown ? born ?? new DateOnly(1994, 7, 2) : null,
        });
    }

    public TimeZoneInfo Zone { get; }

    public ImmutableArray<Fact> Facts => [.. _facts];

    public static ProtocolDefinition Standard { get; } = ProtocolJson.Parse(
        File.ReadAllBytes(Repository.File("contracts", "protocols", "topical-retinoid-titration.json")));

    public Story With(Fact fact)
    {
        _facts.Add(fact);
        return this;
    }

    /// <summary>An order, or a later version of one where <paramref name="recorded"/> differs from <paramref name="authored"/>.</summary>
    /// <param name="tube">Grams in one fill; null: the order does not say.</param>
    /// <param name="fills">Fills allowed, the first one included.</param>
    public Story Order(
        string authored, string id = "rx1", PrescriptionStatus status = PrescriptionStatus.Active, decimal nights = 1, decimal perDays = 2,
        decimal grams = 0.25m, decimal strength = 0.025m, string ingredient = "tretinoin", string? recorded = null, string? prior = null,
        string? start = null, ProductRole role = ProductRole.Titrated, string area = Areas.Face, decimal? tube = null, int fills = 1,
        params DosageDoubt[] doubts)
    {
        string version = $"{_facts.Count(f => f.Source.Type == "MedicationRequest" && f.Source.Id == id) + 1}";
        return With(new PrescriptionFact
        {
            Source = Source("MedicationRequest", id, version, Local(recorded ?? authored), authored + recorded + status),
            Patient = "p1",
            Status = status,
            Product = new Product(role, ingredient, strength),
            Area = area,
            AuthoredOn = ClinicalTime.At(Local(authored)),
            Phases = doubts.Length > 0 ? [] : [new DosagePhase(start is null ? null : ClinicalTime.On(Day(start)), new Frequency(nights, perDays), grams)],
            Doubts = [.. doubts],
            GramsPerFill = tube,
            Fills = fills,
            PriorPrescription = prior,
            Prescriber = "PractitionerRole/role-1",
        });
    }

    /// <summary>A check-in: the four required signs from one string such as <c>"0110"</c>; a dot leaves that sign out.</summary>
    public Story CheckIn(
        string at, string grades = "0000", int? applied = null, int? missed = null, bool byClinician = false, string? id = null,
        ObservationStatus status = ObservationStatus.Counts, string? recorded = null, string version = "1", string[]? basedOn = null)
    {
        List<Statement> statements = [];
        for (int sign = 0; sign < grades.Length; sign++)
        {
            if (grades[sign] != '.')
            {
                statements.Add(new Statement.Graded((Sign)sign, (Grade)(grades[sign] - '0')));
            }
        }

        if (applied is { } nights)
        {
            statements.Add(new Statement.NightsApplied(nights));
        }

        if (missed is { } left)
        {
            statements.Add(new Statement.ApplicationsMissed(left));
        }

        return Observe(at, statements, byClinician, id, status, recorded, version, isPanel: true, basedOn);
    }

    public Story Finding(string at, FindingKind kind, bool present = true, bool byClinician = false, string? id = null) =>
        Observe(at, [new Statement.FindingReported(kind, present)], byClinician, id);

    public Story Recovered(string at, bool byClinician = false) => Observe(at, [new Statement.Recovered(true)], byClinician);

    public Story EffectSeen(string at, Effect effect) => Observe(at, [new Statement.EffectSeen(effect)]);

    public Story Observe(
        string at, IEnumerable<Statement> statements, bool byClinician = false, string? id = null, ObservationStatus status = ObservationStatus.Counts,
        string? recorded = null, string version = "1", bool isPanel = false, string[]? basedOn = null)
    {
        string observation = id ?? $"obs{++_observations}";
        return With(new ObservationFact
        {
            Source = Source("Observation", observation, version, Local(recorded ?? at), at + status + version + recorded),
            Patient = "p1",
            Status = status,
            Effective = at.Length == 10 ? ClinicalTime.On(Day(at)) : ClinicalTime.At(Local(at)),
            PerformerKind = byClinician ? PerformerKind.Clinician : PerformerKind.Patient,
            Performer = byClinician ? "Practitioner/pr-1" : "Patient/p1",
            IsPanel = isPanel,
            BasedOn = [.. basedOn ?? []],
            Statements = [.. statements],
        });
    }

    /// <summary>Somebody at the clinic revokes the CommunicationRequest of a communication that stood at <paramref name="proposedAt"/>.</summary>
    public Story CancelMessage(string at, CommunicationKind kind, string proposedAt) =>
        Answer(at, TaskAnswer.Declined, kind, proposedAt, resource: "CommunicationRequest");

    /// <summary>A clinician answers the Task of a communication that stood at <paramref name="proposedAt"/>.</summary>
    public Story Answer(string at, TaskAnswer answer, CommunicationKind kind, string proposedAt, string resource = "Task")
    {
        Evaluation evaluation = AsOf(proposedAt);
        CommunicationIntent intent = evaluation.Communications.Single(c => c.Kind == kind);
        Guid key = Reconciliation.KeyOf(evaluation, intent, Reconciliation.DecisionId("p1", 1));
        return With(new AnswerFact
        {
            Source = Source(resource, $"{resource}-{key}", "2", Local(at), at + answer),
            Patient = "p1",
            Communication = key,
            Course = evaluation.Course!.Id,
            Kind = kind,
            Cause = intent.Cause,
            ProposedAt = Local(proposedAt),
            Proposed = intent.Proposed,
            Answer = answer,
            At = Local(at),
        });
    }

    /// <summary>The one evaluation of a story with one course.</summary>
    public Evaluation AsOf(string at, ProtocolDefinition? protocol = null)
    {
        ImmutableArray<Evaluation> all = AllAsOf(at, protocol);
        return all.Length == 1 ? all[0] : throw new InvalidOperationException($"{all.Length} evaluations, not one.");
    }

    /// <summary>
    /// Every evaluation, in the order of the courses. The same story told in FHIR and read back must give the same, wherever it can be told.
    /// </summary>
    public ImmutableArray<Evaluation> AllAsOf(string at, ProtocolDefinition? protocol = null)
    {
        AsOf asOf = new(Local(at), Zone);
        ImmutableArray<Evaluation> evaluations = TitrationPolicy.Evaluate(new PatientHistory("p1", Facts), protocol ?? Standard, asOf);
        if (StoryInFhir.Retell(Facts, protocol ?? Standard) is { } retold)
        {
            RetoldInFhir++;
            string throughFhir = StoryInFhir.Essence(TitrationPolicy.Evaluate(new PatientHistory("p1", retold), protocol ?? Standard, asOf));
            string direct = StoryInFhir.Essence(evaluations);
            if (throughFhir != direct)
            {
                throw new InvalidOperationException($"Told in FHIR the story gives something else.\ndirect: {direct}\nFHIR:   {throughFhir}");
            }
        }

        return evaluations;
    }

    /// <summary>How many evaluations of this process were compared with their FHIR form.</summary>
    public static int RetoldInFhir { get; private set; }

    /// <summary>An instant from the clinic's local time, <c>2026-03-01T10:00</c>, or the start of a day.</summary>
    public DateTimeOffset Local(string at)
    {
        if (at.Length == 10)
        {
            return ClinicZone.StartOf(Day(at), Zone);
        }

        DateTime local = DateTime.ParseExact(at, "yyyy-MM-ddTHH:mm", CultureInfo.InvariantCulture);
        return new DateTimeOffset(local, Zone.GetUtcOffset(local)).ToUniversalTime();
    }

    private static DateOnly Day(string day) => DateOnly.ParseExact(day, "yyyy-MM-dd", CultureInfo.InvariantCulture);

    private static ResourceVersion Source(string type, string id, string version, DateTimeOffset? recorded, string content) =>
        new(type, id, version, recorded, Convert.ToHexStringLower(SHA256.HashData(Encoding.UTF8.GetBytes($"{type}{id}{version}{content}"))));
}
