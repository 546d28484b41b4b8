using System.Text.Encodings.Web;
using System.Text.Json;
using Firely.Fhir.Validation;
using Hl7.Fhir.Model;
using Hl7.Fhir.Serialization;
using Hl7.Fhir.Specification.Source;
using Hl7.Fhir.Specification.Terminology;
using Titration.TestKit;

namespace Titration.Fhir.Tests.Writing;

/// <summary>The R4 definitions and our own, and a validator over both that asks no network.</summary>
internal static class R4
{
    private static readonly JsonSerializerOptions Json = new JsonSerializerOptions
    {
        WriteIndented = true,
        Encoder = JavaScriptEncoder.UnsafeRelaxedJsonEscaping,
    }.ForFhir(ModelInfo.ModelInspector);

    private static readonly Lazy<ZipSource> Base = new(ZipSource.CreateValidationSource);

    private static readonly Lazy<SnapshotSource> Source = new(() => new SnapshotSource(new CachedResolver(new MultiResolver(
        new InMemoryResourceResolver(Contracts().Select(c => c.Resource)), Base.Value))));

    private static Validator Checker { get; set; } = NewChecker();

    private static readonly Lock Gate = new();

    /// <summary>Profile by resource type; what has none is validated against base R4.</summary>
    private static readonly Dictionary<string, string> Profiles = new(StringComparer.Ordinal)
    {
        ["CommunicationRequest"] = "titration-communication-request",
        ["Task"] = "titration-task",
        ["Provenance"] = "titration-provenance",
        ["DetectedIssue"] = "titration-detected-issue",
        ["Flag"] = "titration-flag",
        ["Device"] = "titration-device",
        ["Observation"] = "titration-checkin",
        ["MedicationRequest"] = "titration-prescription",
    };

    private static string? ProfileOf(Resource resource) => resource switch
    {
        Observation { Component.Count: 0 } => "titration-observation",
        Hl7.Fhir.Model.Task { For: null } => "titration-digest",
        _ => Profiles.GetValueOrDefault(resource.TypeName),
    };

    /// <summary>The definitions in contracts/fhir.</summary>
    public static IEnumerable<(string File, Resource Resource)> Contracts() =>
        Directory.GetFiles(Repository.File("contracts", "fhir"), "*.json").Order(StringComparer.Ordinal).Select(path => (Path.GetFileName(path), Parse(File.ReadAllText(path))));

    public static Resource Parse(string json) => JsonSerializer.Deserialize<Resource>(json, Json)!;

    public static string Serialize(Resource resource) => JsonSerializer.Serialize(resource, Json) + "\n";

    public static StructureDefinition Definition(string type) =>
        (StructureDefinition)Base.Value.ResolveByCanonicalUri($"http://hl7.org/fhir/StructureDefinition/{type}")!;

    /// <summary>Errors by base R4 and by our profile, and reference targets that R4 does not allow.</summary>
    public static IReadOnlyList<string> ErrorsOf(Resource resource)
    {
        lock (Gate)
        {
            IReadOnlyList<string> errors = FoundIn(resource);
            if (errors.Count > 0)
            {
                // On a busy machine a validator was once seen to hold one constraint wrong from its first use to its end. What is wrong, a new one finds too.
                Checker = NewChecker();
                errors = FoundIn(resource);
            }

            return [.. errors, .. ReferenceTargets.ErrorsOf(resource)];
        }
    }

    private static Validator NewChecker() => new(
        Source.Value, LocalTerminologyService.CreateDefaultForCore(Source.Value), referenceResolver: null, settings: null, schemaResolver: null);

    private static IReadOnlyList<string> FoundIn(Resource resource) =>
    [
        .. Checker.Validate(resource, ProfileOf(resource) is { } profile ? $"https://titration.example.org/fhir/StructureDefinition/{profile}" : null)
            .Issue.Where(i => i.Severity is OperationOutcome.IssueSeverity.Error or OperationOutcome.IssueSeverity.Fatal)
            .Select(i => $"{string.Join(',', i.Expression)}: {i.Details?.Text}"),
    ];
}
