using System.Collections.Immutable;
using Hl7.Fhir.Model;
using Titration.Fhir.Writing;
using Titration.Protocol.Definitions;

namespace Titration.Fhir.Publishing;

/// <summary>
/// A protocol as FHIR: a PlanDefinition, and the ActivityDefinitions that the service's Tasks cite. People and systems beside the service can
/// then follow a Task to what it rests on. The file stays the truth; the numbers stand here in words.
/// </summary>
public sealed class ProtocolPublication
{
    private const string Purpose =
        "Decision support: it proposes, a clinician decides. Not medical advice; local law, product labels and the licensed prescriber decide.";

    private ProtocolPublication(PlanDefinition plan, ImmutableArray<ActivityDefinition> activities)
    {
        Plan = plan;
        Activities = activities;
    }

    public PlanDefinition Plan { get; }

    public ImmutableArray<ActivityDefinition> Activities { get; }

    /// <summary>The activities first: the plan refers to them.</summary>
    public ImmutableArray<DomainResource> Resources => [.. Activities, Plan];

    public static ProtocolPublication Of(ProtocolDefinition protocol) =>
        new(PlanOf(protocol), [.. Activity.All.Select(activity => ActivityOf(activity, protocol))]);

    /// <summary>All of it, each put under its own id, so that publishing a version twice changes nothing.</summary>
    public Bundle Transaction() => new()
    {
        Type = Bundle.BundleType.Transaction,
        Entry =
        [
            .. Resources.Select(resource => new Bundle.EntryComponent
            {
                FullUrl = $"{Codes.Base}/{resource.TypeName}/{resource.Id}",
                Resource = resource,
                Request = new Bundle.RequestComponent { Method = Bundle.HTTPVerb.PUT, Url = $"{resource.TypeName}/{resource.Id}" },
            }),
        ],
    };

    private static PlanDefinition PlanOf(ProtocolDefinition protocol) => new()
    {
        Id = protocol.Name,
        Text = FhirText.Narrative([$"{protocol.Title}, version {protocol.Version}.", .. ProtocolText.Summary(protocol), Purpose]),
        Url = $"{Codes.Base}/PlanDefinition/{protocol.Name}",
        Version = protocol.Version,
        Name = ComputableName(protocol.Name),
        Title = FhirText.Clean(protocol.Title),
        Type = new CodeableConcept("http://terminology.hl7.org/CodeSystem/plan-definition-type", "clinical-protocol", "Clinical Protocol", null),
        Status = PublicationStatus.Active,
        Description = string.Join("\n\n", ProtocolText.Summary(protocol)),
        Purpose = Purpose,
        RelatedArtifact = [.. Sources(protocol).Select(Citation)],
        Action = [.. PlanActions.Of(protocol)],
    };

    private static ActivityDefinition ActivityOf(Activity activity, ProtocolDefinition protocol) => new()
    {
        Id = activity.Id,
        Text = FhirText.Narrative($"{activity.Title}. {activity.Description}"),
        Url = $"{Codes.Base}/ActivityDefinition/{activity.Id}",
        Version = protocol.Version,
        Name = ComputableName(activity.Id),
        Title = activity.Title,
        Status = PublicationStatus.Active,
        Description = activity.Description,
        Purpose = Purpose,
        Kind = ActivityDefinition.RequestResourceType.CommunicationRequest,
        Intent = activity.Intent,
        Participant = [new ActivityDefinition.ParticipantComponent { Type = activity.To }],
    };

    internal static RelatedArtifact Citation(string source) =>
        new() { Type = RelatedArtifact.RelatedArtifactType.Citation, Citation = FhirText.Clean(source) };

    private static IEnumerable<string> Sources(ProtocolDefinition protocol) =>
        protocol.Jurisdictions.SelectMany(j => j.Sources)
            .Concat(protocol.Products.SelectMany(p => p.Sources.Select(s => $"{p.Ingredient}: {s}")))
            .Distinct(StringComparer.Ordinal);

    /// <summary>topical-retinoid-titration as TopicalRetinoidTitration, as R4 wants names.</summary>
    private static string ComputableName(string id) =>
        string.Concat(id.Split('-', StringSplitOptions.RemoveEmptyEntries).Select(part => char.ToUpperInvariant(part[0]) + part[1..]));
}
