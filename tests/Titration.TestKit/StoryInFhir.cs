using System.Collections.Immutable;
using System.Globalization;
using System.Text.Json;
using System.Text.Json.Nodes;
using Titration.Fhir;
using Titration.Fhir.Reading;
using Titration.Protocol.Courses;
using Titration.Protocol.Decisions;
using Titration.Protocol.Definitions;
using Titration.Protocol.Facts;
using Titration.TestKit.Builders;

namespace Titration.TestKit;

/// <summary>
/// A story told as FHIR resources and read back by the reader that the service and <c>evaluate</c> use: every story checks that both ways
/// say the same.
/// </summary>
internal static class StoryInFhir
{
    private const string Loinc = "http://loinc.org";

    /// <summary>The facts as read from FHIR; null where a fact of the story has no FHIR form, such as an answer to one of our Tasks.</summary>
    public static ImmutableArray<Fact>? Retell(ImmutableArray<Fact> facts, ProtocolDefinition protocol)
    {
        FhirReader reader = new(Vocabulary.Of(protocol));
        ImmutableArray<Fact>.Builder read = ImmutableArray.CreateBuilder<Fact>();
        foreach (Fact fact in facts)
        {
            JsonObject? resource = fact switch
            {
                PatientFact patient => Tell(patient),
                PrescriptionFact order => Tell(order, protocol),
                ObservationFact observation => Tell(observation),
                _ => null,
            };
            if (resource is null || reader.Read(resource.ToUtf8()) is not [ResourceReading.Understood understood])
            {
                return null;
            }

            read.Add(understood.Fact);
        }

        return read.ToImmutable();
    }

    /// <summary>What the two ways must agree on; sources differ in their content hashes only.</summary>
    public static string Essence(ImmutableArray<Evaluation> evaluations) => JsonSerializer.Serialize(evaluations.Select(e => new
    {
        e.Course,
        e.Outcome,
        e.Step,
        e.Proposed,
        Reasons = e.Reasons.Select(r => new { r.Rule, r.Outcome, r.Text, Evidence = r.Evidence.Select(v => $"{v.Type}/{v.Id}") }),
        Findings = e.Findings.Select(f => f.Code),
        Communications = e.Communications.Select(c => new { c.Kind, c.Cause, c.Priority, c.Due, c.Template, c.NeedsApproval, c.Proposed }),
        e.NextLook,
    }));

    private static JsonObject? Tell(PatientFact patient)
    {
        if (patient.ReplacedBy is not null)
        {
            return null;
        }

        JsonObject resource = FhirJson.Patient(id: patient.Patient);
        resource.Remove("birthDate");
        resource["active"] = patient.Active;
        resource["meta"] = new JsonObject { ["versionId"] = patient.Source.VersionId };
        if (patient.Source.LastUpdated is { } updated)
        {
            resource["meta"]!["lastUpdated"] = Text(updated);
        }

        if (patient.BirthDate is { } born)
        {
            resource["birthDate"] = Text(born);
        }

        if (patient.Deceased)
        {
            resource["deceasedBoolean"] = true;
        }

        return resource;
    }

    private static JsonObject? Tell(PrescriptionFact order, ProtocolDefinition protocol)
    {
        Product product = order.Product;
        bool knownStrength = product.Role != ProductRole.Titrated || product.StrengthPercent is { } strength
            && protocol.ProductOf(product.Ingredient) is { } titrated && titrated.StrengthsPercent.Contains(strength);
        if (CodeOf(product, protocol) is not { } code || !knownStrength || order.Phases.Length > 1
            || order.Phases.Any(p => p.Frequency.Applications % 1 != 0) || order.Doubts.Contains(DosageDoubt.StrengthUnknown)
            || (order.Phases.IsEmpty && order.Doubts.IsEmpty && product.Role == ProductRole.Titrated))
        {
            return null;
        }

        JsonObject resource = FhirJson.MedicationRequest(
            id: order.Source.Id, patient: order.Patient, version: order.Source.VersionId, status: StatusOf(order.Status), authoredOn: Text(order.AuthoredOn),
            lastUpdated: order.Source.LastUpdated is { } at ? Text(at) : null, atc: code,
            product: product.StrengthPercent is { } percent ? $"{product.Ingredient} {percent.ToString(CultureInfo.InvariantCulture)} % cream" : product.Ingredient,
            prior: order.PriorPrescription, requester: order.Prescriber ?? "PractitionerRole/role-1");
        resource["dosageInstruction"] = new JsonArray(Dosage(order));
        resource.Remove("dispenseRequest");
        if (order.GramsPerFill is { } grams)
        {
            resource["dispenseRequest"] = new JsonObject
            {
                ["numberOfRepeatsAllowed"] = order.Fills - 1,
                ["quantity"] = new JsonObject { ["value"] = grams, ["unit"] = "g", ["system"] = "http://unitsofmeasure.org", ["code"] = "g" },
            };
        }

        return resource;
    }

    private static JsonObject Dosage(PrescriptionFact order)
    {
        DosagePhase phase = order.Phases.IsEmpty ? new DosagePhase(order.Start, new Frequency(1, 2), 0.25m) : order.Phases[0];
        JsonObject dosage = FhirJson.Dosage(
            (int)phase.Frequency.Applications, phase.Frequency.PerDays, phase.GramsPerApplication, (phase.Start ?? order.Start) is { } start ? Text(start) : null);
        if (order.Area != Areas.Face)
        {
            dosage["site"]!["coding"]![0]!["code"] = order.Area;
        }

        if (order.Doubts.Contains(DosageDoubt.AsNeeded))
        {
            dosage["asNeededBoolean"] = true;
        }

        if (order.Doubts.Contains(DosageDoubt.TextOnly))
        {
            dosage.Remove("timing");
            dosage["text"] = "as discussed";
        }

        return dosage;
    }

    private static JsonObject? Tell(ObservationFact observation)
    {
        string status = observation.Status switch { ObservationStatus.Waits => "preliminary", ObservationStatus.Counts => "final", ObservationStatus.Removed => "entered-in-error" };
        JsonObject resource = FhirJson.Observation(
            "checkin-panel", null, null, observation.Source.Id, observation.Patient, observation.Source.VersionId, status, Text(observation.Effective),
            observation.Source.LastUpdated is { } at ? Text(at) : null, observation.Performer);
        if (!observation.BasedOn.IsEmpty)
        {
            resource["basedOn"] = new JsonArray([.. observation.BasedOn.Select(id => new JsonObject { ["reference"] = $"MedicationRequest/{id}" })]);
        }

        if (observation.PeriodStart is { } start)
        {
            resource.Remove("effectiveDateTime");
            resource["effectivePeriod"] = new JsonObject { ["start"] = Text(start), ["end"] = Text(observation.Effective) };
        }

        JsonObject?[] said = [.. observation.Statements.Select(Say)];
        if (said.Contains(null) || (!observation.IsPanel && said.Length != 1))
        {
            return null;
        }

        if (observation.IsPanel)
        {
            resource["component"] = said.Length == 0 ? null : new JsonArray([.. said]);
            return said.Length == 0 ? null : resource;
        }

        foreach ((string member, JsonNode? value) in said[0]!.ToArray())
        {
            resource[member] = value?.DeepClone();
        }

        return resource;
    }

    /// <summary>A statement as a code and a value; null where FHIR has no single form for it.</summary>
    private static JsonObject? Say(Statement statement) => statement switch
    {
        Statement.Graded graded => FhirJson.Component(graded.Sign.Code(), "valueInteger", (int)graded.Grade),
        Statement.NightsApplied applied => FhirJson.Component("nights-applied", "valueInteger", applied.Nights),
        Statement.ApplicationsMissed missed => FhirJson.Component("missed-applications", "valueInteger", missed.Applications),
        Statement.FindingReported { Kind: FindingKind.Pregnancy } pregnancy => new JsonObject
        {
            ["code"] = Concept(Loinc, "82810-3"),
            ["valueCodeableConcept"] = Concept(Loinc, pregnancy.Present ? "LA15173-0" : "LA26683-5"),
        },
        Statement.FindingReported finding => FhirJson.Component(finding.Kind.Code(), "valueBoolean", finding.Present),
        Statement.ProcedurePlanned procedure => FhirJson.Component("procedure-planned", "valueDateTime", Text(procedure.Date)),
        Statement.Recovered recovered => FhirJson.Component("recovered", "valueBoolean", recovered.Yes),
        Statement.EffectSeen effect => FhirJson.Component("effect", "valueCodeableConcept", Concept(Codes.Systems.Tolerability, effect.Effect.Code())),
        _ => null,
    };

    private static string? CodeOf(Product product, ProtocolDefinition protocol)
    {
        IEnumerable<(string Ingredient, ImmutableArray<ProductCode> Codes)> products =
        [
            .. protocol.Products.Select(p => (p.Ingredient, p.Codes)), .. protocol.OtherRetinoids.Select(p => (p.Ingredient, p.Codes)),
            .. protocol.InteractingTopicals.Select(p => (p.Ingredient, p.Codes)),
        ];
        return products.Where(p => p.Ingredient == product.Ingredient).SelectMany(p => p.Codes)
            .FirstOrDefault(c => c.System.EndsWith("/atc", StringComparison.Ordinal) && c.Combination == product.PartOfCombination)?.Code;
    }

    private static string StatusOf(PrescriptionStatus status) => status switch
    {
        PrescriptionStatus.Active => "active",
        PrescriptionStatus.OnHold => "on-hold",
        PrescriptionStatus.Ended => "stopped",
        PrescriptionStatus.NeverInForce => "cancelled",
        PrescriptionStatus.Removed => "entered-in-error",
    };

    private static JsonObject Concept(string system, string code) =>
        new() { ["coding"] = new JsonArray(new JsonObject { ["system"] = system, ["code"] = code }) };

    private static string Text(ClinicalTime time) => time.Instant is { } instant ? Text(instant) : Text(time.Day!.Value);

    private static string Text(DateTimeOffset instant) => instant.UtcDateTime.ToString("yyyy-MM-dd'T'HH:mm:ss.FFFFFFF'Z'", CultureInfo.InvariantCulture);

    private static string Text(DateOnly date) => date.ToString("yyyy-MM-dd", CultureInfo.InvariantCulture);
}
