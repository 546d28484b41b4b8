using System.Collections.Immutable;
using System.Text.Json;
using Titration.Worker.Configuration;
using Titration.Worker.Delivery;

namespace Titration.Worker.Checking;

/// <summary>What the FHIR server says of itself against <c>contracts/fhir/CapabilityStatement-titration-fhir-server.json</c>, a row for each type.</summary>
internal static class AbilitiesCheck
{
    private const string Expectation = "http://hl7.org/fhir/StructureDefinition/capabilitystatement-expectation";

    /// <summary>What is read when existing records are taken in, and when the server is polled.</summary>
    private static readonly ImmutableArray<string> Searched = ["MedicationRequest", "Observation", "Task", "CommunicationRequest"];

    /// <summary>What we need of a type, as the contract has it.</summary>
    private sealed record Need(string Type, ImmutableArray<string> Interactions, bool ConditionalCreate, bool VersionedUpdate, bool OwnId);

    public static ImmutableArray<CheckRow> Of(ServerAbilities server, int pollSeconds) =>
        [Version(server), .. Needs().Select(n => Row(n, server)), Reading(server), Changes(server, pollSeconds)];

    private static CheckRow Version(ServerAbilities server)
    {
        const string Subject = "FHIR version";
        return server switch
        {
            { FhirVersion: not ['4', '.', '0', '.', ..] and { } other } => CheckRow.Wrong(Subject, $"{other}", "Use the server's R4 base: FHIR 4.0.1."),
            { FhirVersion: null } => CheckRow.Warning(Subject, "the statement does not say", "See whether it is R4, FHIR 4.0.1."),
            { Formats: var formats } when !formats.IsEmpty && !formats.Any(f => f.Contains("json", StringComparison.OrdinalIgnoreCase)) =>
                CheckRow.Wrong(Subject, $"{server.FhirVersion}, and no JSON ({string.Join(", ", formats)})", "Turn application/fhir+json on."),
            _ => CheckRow.Ok(Subject, server.FhirVersion!),
        };
    }

    private static CheckRow Row(Need need, ServerAbilities server)
    {
        TypeAbilities there = server.Of(need.Type);
        if (there.Interactions.IsEmpty)
        {
            return CheckRow.Wrong(need.Type, "not among what the server offers", $"Turn {need.Type} on: {string.Join(", ", need.Interactions)}.");
        }

        if (need.OwnId)
        {
            return OwnId(need, server);
        }

        string[] missing =
        [
            .. need.Interactions.Where(i => !there.Interactions.Contains(i)),
            .. need.ConditionalCreate && there.ConditionalCreate == false ? new[] { "conditional create" } : [],
            .. need.ConditionalCreate && !there.SearchParameters.Contains("identifier") ? new[] { "search by identifier" } : [],
            .. need.VersionedUpdate && there.Versioning == "no-version" ? new[] { "versions (If-Match)" } : [],
        ];
        if (missing.Length > 0)
        {
            return CheckRow.Wrong(need.Type, $"without {string.Join(", ", missing)}", "Turn it on. There is no way around: without it a proposal could come twice, or a clinician's change be overwritten.");
        }

        string[] unsaid =
        [
            .. need.ConditionalCreate && there.ConditionalCreate is null ? new[] { "conditional create" } : [],
            .. need.VersionedUpdate && there.Versioning is null ? new[] { "versions (If-Match)" } : [],
        ];
        return unsaid.Length > 0
            ? CheckRow.Warning(need.Type, $"the statement says nothing of {string.Join(", ", unsaid)}", "Ask the server's vendor: the service needs it, and goes on as if it were there.")
            : CheckRow.Ok(need.Type, $"{string.Join(", ", need.Interactions)}{(need.ConditionalCreate ? ", conditional create by identifier" : "")}{(need.VersionedUpdate ? $", {there.Versioning}" : "")}");
    }

    /// <summary>Device and Provenance: one of two ways of writing is chosen, and said.</summary>
    private static CheckRow OwnId(Need need, ServerAbilities server)
    {
        TypeAbilities there = server.Of(need.Type);
        string[] findBy = need.Type == "Device" ? ["identifier"] : ["target", "agent"];
        OwnIdWriting way = server.WritingOf(need.Type, findBy);
        string[] interactions = way == OwnIdWriting.UpdateAsCreate ? [.. need.Interactions] : [.. need.Interactions.Where(i => i != "update" || need.Type == "Device"), "create"];
        string[] missing = [.. interactions.Where(i => !there.Interactions.Contains(i))];
        if (missing.Length > 0)
        {
            return CheckRow.Wrong(need.Type, $"without {string.Join(", ", missing)}", "Turn it on.");
        }

        return way switch
        {
            OwnIdWriting.ConditionalCreate => CheckRow.Ok(need.Type, $"no update-as-create; instead it is created with If-None-Exist on {string.Join(" and ", findBy)}, under an id of the server's"),
            OwnIdWriting.UpdateAsCreate when there.UpdateCreate == true => CheckRow.Ok(need.Type, "update-as-create, under an id of the service's own"),
            OwnIdWriting.UpdateAsCreate when there.UpdateCreate is null => CheckRow.Warning(need.Type, "the statement says nothing of update-as-create; it is tried", "Ask the server's vendor, or turn it on."),
            OwnIdWriting.UpdateAsCreate => CheckRow.Wrong(
                need.Type, $"neither update-as-create nor conditional create by {string.Join(" and ", findBy)}", "Turn one of them on: without it the server would refuse everything that is sent."),
        };
    }

    private static CheckRow Reading(ServerAbilities server)
    {
        const string Subject = "search by _lastUpdated";
        string[] missing = [.. Searched.Where(t => !server.CanSearch(t, "_lastUpdated"))];
        return missing.Length == 0
            ? CheckRow.Ok(Subject, "for taking in what is there already, and for polling")
            : CheckRow.Warning(Subject, $"the statement does not name it for {string.Join(", ", missing)}", "If it is not there, nothing can be taken in by `titration backfill` or by polling: messages or subscriptions have to bring everything.");
    }

    /// <summary>How changes get here, where no interface engine publishes them.</summary>
    private static CheckRow Changes(ServerAbilities server, int pollSeconds)
    {
        const string Subject = "changes";
        return pollSeconds > 0 ? CheckRow.Ok(Subject, $"the server is polled every {pollSeconds} seconds, beside what comes as messages")
            : server.Of("Subscription").Interactions.Contains("create") ? CheckRow.Ok(Subject, "come as messages; `titration subscribe` can have this server send them")
            : CheckRow.Ok(Subject, "come as messages; this server has no Subscriptions, and is polled if Titration__FhirServer__PollSeconds says so");
    }

    private static ImmutableArray<Need> Needs()
    {
        using JsonDocument contract = JsonDocument.Parse(BuiltIn.Capabilities);
        return
        [
            .. contract.RootElement.GetProperty("rest")[0].GetProperty("resource").EnumerateArray().Select(resource => new Need(
                resource.GetProperty("type").GetString()!,
                [.. ServerAbilities.Items(resource, "interaction").Where(IsDemanded).Select(i => i.GetProperty("code").GetString()!)],
                ServerAbilities.Member(resource, "conditionalCreate")?.GetBoolean() == true,
                ServerAbilities.Text(resource, "versioning") == "versioned-update",
                ServerAbilities.Member(resource, "updateCreate")?.GetBoolean() == true)),
        ];
    }

    private static bool IsDemanded(JsonElement interaction) => ServerAbilities.Items(interaction, "extension")
        .Any(e => ServerAbilities.Text(e, "url") == Expectation && ServerAbilities.Text(e, "valueCode") == "SHALL");
}
