using System.Collections.Immutable;
using System.Text.Json;
using Titration.Fhir.Reading;
using Titration.Protocol.Communications;
using Titration.Protocol.Courses;
using Titration.Protocol.Decisions;
using Titration.Protocol.Facts;
using Titration.Protocol.Rules;
using Titration.Sandbox.Storing;
using Titration.Worker.Configuration;

namespace Titration.Worker.Commands;

/// <summary>
/// Plays the FHIR store's history again, all versions in the order in which they were written, and judges what the service did by that alone: none of
/// the service's own tables is read. At the end of each of the clinic's instants every patient is evaluated anew from the resources in the store, and
/// what stands there is compared with what should.
/// </summary>
internal sealed class DemoReplay(Settings settings)
{
    private const int FewestDays = 14;
    private const int FirstEvidenceDay = 5;
    private const int EvidenceHoldsDays = 7;

    private readonly FhirReader _reader = new(settings.Policy.Vocabulary);
    private readonly Dictionary<string, ReplayedPatient> _patients = new(StringComparer.Ordinal);
    private readonly Dictionary<string, DemoMessage> _messages = new(StringComparer.Ordinal);
    private readonly List<DemoViolation> _violations = [];
    private DateTimeOffset _now;

    public IReadOnlyList<DemoViolation> Violations => _violations;

    public IReadOnlyCollection<DemoMessage> Messages => _messages.Values;

    /// <summary>Evaluations compared with the store.</summary>
    public int Compared { get; private set; }

    /// <param name="versions">As they were written.</param>
    /// <param name="instants">At which the clinic's clock stood, ascending.</param>
    public void Play(IEnumerable<StoredVersion> versions, IReadOnlyList<DateTimeOffset> instants)
    {
        int next = 0;
        foreach (StoredVersion version in versions)
        {
            for (; next < instants.Count && version.LastUpdated >= instants[next]; next++)
            {
                Settle();
                _now = instants[next];
            }

            Read(version);
        }

        Settle();
        foreach (DateTimeOffset instant in instants.Skip(next))
        {
            _now = instant;
            Settle();
        }

        CountDays();
    }

    private void Read(StoredVersion version)
    {
        using JsonDocument document = JsonDocument.Parse(version.Body);
        switch (version.Type)
        {
            case "CommunicationRequest":
                ReadMessage(version, document.RootElement);
                break;
            case "Task":
                ReadTask(version, document.RootElement);
                break;
            case "MedicationRequest" or "Observation" or "Patient":
                foreach (ResourceReading.Understood understood in _reader.Read(version.Body).OfType<ResourceReading.Understood>())
                {
                    Learn(understood.Fact);
                }

                break;
        }
    }

    private void ReadMessage(StoredVersion version, JsonElement resource)
    {
        if (!_messages.TryGetValue(version.Id, out DemoMessage? message))
        {
            message = new DemoMessage(resource);
            _messages.Add(version.Id, message);
            PatientOf(message.Patient).Messages.Add(message);
            PatientOf(message.Patient).New.Add(message);
        }

        message.Turn(resource.GetProperty("status").GetString()!, version.LastUpdated);
        DemoMessage[] open = [.. PatientOf(message.Patient).Messages.Where(m => m.IsProposal && m.IsOpen)];
        if (open.Length > 1 && open.Contains(message))
        {
            Violate(DemoCheck.TwoStepChanges, message, version.LastUpdated, $"{open.Length} step changes are open");
        }
    }

    private void ReadTask(StoredVersion version, JsonElement resource)
    {
        if (!resource.TryGetProperty("basedOn", out JsonElement basedOn))
        {
            // The digest of what waits is for no patient.
            return;
        }

        DemoMessage message = _messages[DemoMessage.IdIn(basedOn[0])];
        message.TaskStatus = resource.GetProperty("status").GetString();
        if (_reader.Read(version.Body) is not [ResourceReading.Own { Answer: { } answer } own] || message.Intent is not { } intent)
        {
            return;
        }

        message.Approved |= answer.Answer == TaskAnswer.Approved;
        Learn(new AnswerFact
        {
            Source = new ResourceVersion("Task", version.Id, own.Header.VersionId, own.Header.LastUpdated, answer.ContentHash),
            Patient = message.Patient,
            Communication = own.Key,
            Course = message.Course,
            Kind = intent.Kind,
            Cause = intent.Cause,
            ProposedAt = message.AuthoredOn,
            Proposed = intent.Proposed,
            Answer = answer.Answer,
            At = answer.At is { } at && at < version.LastUpdated ? at : version.LastUpdated,
            Reason = answer.Reason,
        });
    }

    /// <summary>What was written before a fact was known is judged without it.</summary>
    private void Learn(Fact fact)
    {
        ReplayedPatient patient = PatientOf(fact.Patient);
        if (patient.New.Count > 0)
        {
            Recognise(patient, Evaluate(fact.Patient, patient));
        }

        patient.Facts.Add(fact);
    }

    private ImmutableArray<Evaluation> Evaluate(string id, ReplayedPatient patient)
    {
        Compared++;
        return TitrationPolicy.Evaluate(new PatientHistory(id, [.. patient.Facts]), settings.Policy.Protocol, new AsOf(_now, settings.Policy.Zone, Follow: settings.Policy.Follow));
    }

    private void Settle()
    {
        foreach ((string id, ReplayedPatient patient) in _patients)
        {
            if (patient.Facts.Count == 0 || !patient.Messages.Exists(m => m.IsOpen))
            {
                continue;
            }

            ImmutableArray<Evaluation> evaluations = Evaluate(id, patient);
            Recognise(patient, evaluations);
            foreach (DemoMessage message in patient.Messages.Where(m => m.IsOpen && !m.WasBaseless && !Stands(m, evaluations)))
            {
                message.WasBaseless = true;
                Violate(DemoCheck.WithoutGrounds, message, _now, $"{message.Status} {message.Rule} of {message.AuthoredOn:yyyy-MM-dd HH:mm}");
            }
        }
    }

    private void Recognise(ReplayedPatient patient, ImmutableArray<Evaluation> evaluations)
    {
        foreach (DemoMessage message in patient.New)
        {
            Recognise(message, patient, evaluations);
            if (message.IsStepUp)
            {
                CheckStepUp(message, patient, new AsOf(_now, settings.Policy.Zone));
            }
        }

        patient.New.Clear();
    }

    /// <summary>Finds the communication of the evaluation that this resource says: by rule, category, audience and evidence.</summary>
    private static void Recognise(DemoMessage message, ReplayedPatient patient, ImmutableArray<Evaluation> evaluations)
    {
        (Evaluation Of, CommunicationIntent Intent)[] candidates =
        [
            .. evaluations.SelectMany(e => e.Communications.Select(i => (e, i))).Where(c =>
                c.i.Rule == message.Rule && CategoryOf(c.i) == message.Category && c.i.NeedsApproval == message.IsProposal
                && (c.i.Audience == Audience.Patient) == message.ToPatient
                && !patient.Messages.Exists(m => m.IsOpen && m.Intent is { } taken && taken.Kind == c.i.Kind && taken.Cause == c.i.Cause && m.Course == c.e.Course?.Id)),
        ];
        (Evaluation? evaluation, CommunicationIntent? intent) = Array.Find(candidates, c => c.Intent.Evidence.Where(e => e.Type == "Observation")
            .Select(e => $"{e.Reference}").Distinct(StringComparer.Ordinal).Order(StringComparer.Ordinal).SequenceEqual(message.Evidence, StringComparer.Ordinal));
        message.Intent = intent ?? candidates.FirstOrDefault().Intent;
        message.Course = (evaluation ?? candidates.FirstOrDefault().Of)?.Course?.Id;
    }

    /// <summary>
    /// Whether the evaluation asks for it; an approved step change also stands while that step is in force and nothing says to stop, be it a draft
    /// that waits for its hour.
    /// </summary>
    private static bool Stands(DemoMessage message, ImmutableArray<Evaluation> evaluations) => message.Intent is { } intent && evaluations.Any(e =>
        e.Course?.Id == message.Course
        && ((message.Status == "draft" || !message.IsProposal) && e.Communications.Any(i => i.Kind == intent.Kind && i.Cause == intent.Cause)
            || (message is { IsProposal: true, Approved: true } && e is { Outcome: > Outcome.Withhold, Step: { } step } && step.Step.SameDosage(intent.Proposed!))));

    /// <summary>By the order and the check-ins themselves, not by the rules.</summary>
    private void CheckStepUp(DemoMessage message, ReplayedPatient patient, AsOf asOf)
    {
        DateOnly today = ClinicZone.DateOf(asOf.Instant, asOf.Zone);
        DateOnly ordered = OrderedOn(patient, asOf.Zone);
        if (today.DayNumber - ordered.DayNumber < FewestDays)
        {
            Violate(DemoCheck.TooEarly, message, asOf.Instant, $"proposed on {today:yyyy-MM-dd}, ordered on {ordered:yyyy-MM-dd}");
        }

        bool told = patient.Facts.OfType<ObservationFact>().GroupBy(o => o.Source.Id, StringComparer.Ordinal).Select(versions => versions.Last())
            .Where(o => o.Status == ObservationStatus.Counts && o.Statements.OfType<Statement.Graded>().Count() >= 4)
            .Select(o => o.Effective.DateIn(asOf.Zone))
            .Any(day => today.DayNumber - day.DayNumber <= EvidenceHoldsDays && day.DayNumber - ordered.DayNumber >= FirstEvidenceDay);
        if (!told)
        {
            Violate(DemoCheck.OnSilence, message, asOf.Instant, $"proposed on {today:yyyy-MM-dd} without a recent complete check-in");
        }
    }

    /// <summary>The day of the newest order; of several in a row that order the same, the first.</summary>
    private static DateOnly OrderedOn(ReplayedPatient patient, TimeZoneInfo zone)
    {
        PrescriptionFact[] orders =
        [
            .. patient.Facts.OfType<PrescriptionFact>().Where(o => o.Product.Role == ProductRole.Titrated && o.Status == PrescriptionStatus.Active)
                .DistinctBy(o => o.Source.Id, StringComparer.Ordinal).OrderBy(o => o.AuthoredOn.StartIn(zone)),
        ];
        PrescriptionFact newest = orders[^1];
        return orders.Reverse().TakeWhile(o => o.Product == newest.Product && o.Phases.Select(p => (p.Frequency, p.GramsPerApplication))
            .SequenceEqual(newest.Phases.Select(p => (p.Frequency, p.GramsPerApplication)))).Last().AuthoredOn.DateIn(zone);
    }

    private void CountDays()
    {
        foreach (IGrouping<(string, DateOnly), DemoMessage> day in OfDays().Where(d => d.Count() > 1))
        {
            Violate(DemoCheck.TwoMessagesADay, day.First(), day.Last().ActiveFrom!.Value, $"{day.Count()} messages: {string.Join(", ", day.Select(m => m.Rule))}");
        }
    }

    /// <summary>Messages that reached patients, safety apart, by patient and clinic-local day.</summary>
    public IEnumerable<IGrouping<(string Patient, DateOnly Day), DemoMessage>> OfDays() => _messages.Values
        .Where(m => m is { ToPatient: true, IsSafety: false, ActiveFrom: not null })
        .GroupBy(m => (m.Patient, ClinicZone.DateOf(m.ActiveFrom!.Value, settings.Policy.Zone)));

    private static string CategoryOf(CommunicationIntent intent) => intent.Reminds is not null ? "reminder" : intent.Kind switch
    {
        CommunicationKind.SafetyReferral => "alert",
        CommunicationKind.CareAdvice or CommunicationKind.StepChange => "instruction",
        CommunicationKind.Review or CommunicationKind.EffectReview or CommunicationKind.ClinicTask => "notification",
        CommunicationKind.CheckInRequest or CommunicationKind.RepeatReminder => "reminder",
    };

    private void Violate(DemoCheck check, DemoMessage message, DateTimeOffset at, string what) =>
        _violations.Add(new DemoViolation(check, message.Patient, at, what));

    private ReplayedPatient PatientOf(string id)
    {
        if (!_patients.TryGetValue(id, out ReplayedPatient? patient))
        {
            patient = new ReplayedPatient([], [], []);
            _patients.Add(id, patient);
        }

        return patient;
    }

    /// <param name="Facts">What is known of the patient.</param>
    /// <param name="Messages">All that was ever written for the patient.</param>
    /// <param name="New">Of those, what was not yet looked for in an evaluation.</param>
    private sealed record ReplayedPatient(List<Fact> Facts, List<DemoMessage> Messages, List<DemoMessage> New);
}
