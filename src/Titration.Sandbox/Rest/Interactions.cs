using System.Globalization;
using System.Text.Json;
using System.Text.RegularExpressions;
using Microsoft.AspNetCore.WebUtilities;
using Titration.Sandbox.Searching;
using Titration.Sandbox.Storing;

namespace Titration.Sandbox.Rest;

/// <summary>The interactions on single resources and types, the same whether HTTP or a Bundle entry asks for them. Refusals are exceptions.</summary>
internal sealed partial class Interactions(FhirStore store)
{
    /// <summary>Answers anything but a Bundle sent to the base.</summary>
    public FhirAnswer Answer(FhirRequest request)
    {
        RefuseUnsupported(request);
        return (request.Method, request.Segments) switch
        {
            ("GET", ["metadata"]) => new FhirAnswer(200, Capability.Statement(request.BaseUrl)),
            ("GET", [string type]) => Search(type, request),
            ("POST", [string type]) => Create(type, request),
            ("PUT", [string type, string id]) => Update(type, id, request),
            ("GET", [string type, string id]) => Read(type, id, request),
            ("GET", [string type, string id, "_history"]) => History(type, id, request),
            ("GET", [string type, string id, "_history", string version]) => ReadVersion(type, id, version, request),
            _ => throw BundleInBundle(),
        };
    }

    /// <summary>Refuses what has no place here at all (404), methods a place does not have (405), and parameters and conditions that would be ignored (400).</summary>
    public static void RefuseUnsupported(FhirRequest request)
    {
        RefuseUnlessRouted(request);
        RefuseStrayConditions(request);
        if (request.Method != "GET")
        {
            RefuseParameters(request);
        }
    }

    /// <summary>A resource that is what the URL says it is, and valid.</summary>
    /// <param name="id">For an update, the id that the resource must carry; null for a create, where any is ignored.</param>
    public static JsonElement Resource(FhirRequest request, string type, string? id)
    {
        if (request.Body is not JsonElement resource)
        {
            throw RefusedException.BadRequest("required", "A resource is needed.");
        }

        if (FhirJson.ResourceType(resource) is string found && found != type)
        {
            throw RefusedException.BadRequest("invalid", $"The URL says {type}, the resource is of another type.");
        }

        FhirJson.Validate(resource);
        return id is null || FhirJson.Text(resource, "id") == id
            ? resource
            : throw RefusedException.BadRequest("invalid", "The resource must carry the id that is in the URL.");
    }

    public static FhirAnswer Written(WriteOutcome outcome) => outcome.Result switch
    {
        WriteResult.Created => FhirAnswer.Of(outcome.Stored!, 201) with { SaysLocation = true },
        WriteResult.Updated or WriteResult.AlreadyThere => FhirAnswer.Of(outcome.Stored!) with { SaysLocation = true },
        WriteResult.SeveralMatch => throw new RefusedException(412, new FhirIssue("multiple-matches", "More than one resource fits If-None-Exist.")),
        WriteResult.VersionMismatch => throw new RefusedException(
            412,
            new FhirIssue("conflict", outcome.Stored is null
                ? "There is no such resource, so no version of it matches."
                : $"The current version is {outcome.Stored.Version}.")),
    };

    /// <summary>The version inside <c>W/"3"</c> or <c>"3"</c>; null if there is no condition.</summary>
    public static string? VersionIn(string? ifMatch) => ifMatch is null
        ? null
        : EntityTagPattern().Match(ifMatch) is { Success: true } match
            ? match.Groups["version"].Value
            : throw RefusedException.BadRequest("value", "If-Match takes one entity tag, such as W/\"3\".");

    public static RefusedException BundleInBundle() => RefusedException.BadRequest("not-supported", "A Bundle cannot be processed as an entry of a Bundle.");

    private FhirAnswer Create(string type, FhirRequest request)
    {
        JsonElement resource = Resource(request, type, id: null);
        return Written(store.Create(resource, request.IfNoneExist is null ? null : SearchQuery.ParseCondition(type, request.IfNoneExist, request.BaseUrl)));
    }

    private FhirAnswer Update(string type, string id, FhirRequest request) =>
        Written(store.Update(Resource(request, type, id), VersionIn(request.IfMatch)));

    private FhirAnswer Search(string type, FhirRequest request)
    {
        SearchQuery query = SearchQuery.Parse(type, request.Query, request.BaseUrl);
        return new FhirAnswer(200, AnswerBundle.SearchSet(query, store.Search(query), request.BaseUrl));
    }

    private FhirAnswer Read(string type, string id, FhirRequest request)
    {
        RefuseParameters(request);
        return UnlessSeen(store.Read(type, id) ?? throw RefusedException.NotFound($"There is no {type} with this id."), request);
    }

    private FhirAnswer ReadVersion(string type, string id, string version, FhirRequest request)
    {
        RefuseParameters(request);
        StoredVersion? found = int.TryParse(version, NumberStyles.None, CultureInfo.InvariantCulture, out int number)
            ? store.ReadVersion(type, id, number)
            : null;
        return UnlessSeen(found ?? throw RefusedException.NotFound($"There is no such version of a {type} with this id."), request);
    }

    private FhirAnswer History(string type, string id, FhirRequest request)
    {
        RefuseParameters(request);
        IReadOnlyList<StoredVersion> versions = store.History(type, id);
        return versions.Count == 0
            ? throw RefusedException.NotFound($"There is no {type} with this id.")
            : new FhirAnswer(200, AnswerBundle.History(versions, request.BaseUrl));
    }

    private static FhirAnswer UnlessSeen(StoredVersion version, FhirRequest request)
    {
        IEnumerable<string> seen = (request.IfNoneMatch ?? "").Split(',', StringSplitOptions.TrimEntries);
        bool isSeen = seen.Any(tag => tag == "*" || (EntityTagPattern().Match(tag) is { Success: true } match && $"W/\"{match.Groups["version"].Value}\"" == version.EntityTag));
        return isSeen ? new FhirAnswer(304, default) { About = version } : FhirAnswer.Of(version);
    }

    private static void RefuseUnlessRouted(FhirRequest request)
    {
        string[] allowed = request.Segments switch
        {
            [] => ["POST"],
            ["metadata"] => ["GET"],
            [string type] when SearchParameters.IsServed(type) => ["GET", "POST"],
            [string type, string id] when SearchParameters.IsServed(type) && IsId(id) => ["GET", "PUT"],
            [string type, string id, "_history"] when SearchParameters.IsServed(type) && IsId(id) => ["GET"],
            [string type, string id, "_history", _] when SearchParameters.IsServed(type) && IsId(id) => ["GET"],
            _ => throw new RefusedException(404, new FhirIssue("not-supported", "There is no such resource type or interaction here; see metadata.")),
        };
        if (!allowed.Contains(request.Method))
        {
            string hint = request.Method == "DELETE" ? " Nothing is deleted here; a resource may become entered-in-error." : "";
            throw new RefusedException(405, new FhirIssue("not-supported", $"The method is not supported here.{hint}")) { Allowed = [.. allowed] };
        }
    }

    /// <summary>A condition that would be ignored is refused, since its sender relies on it.</summary>
    private static void RefuseStrayConditions(FhirRequest request)
    {
        string? stray = request switch
        {
            { IfMatch: not null, Method: not "PUT" } => "If-Match",
            { IfNoneExist: not null, Method: not "POST" } or { IfNoneExist: not null, Segments: [] } => "If-None-Exist",
            { IfNoneMatch: not null, Method: not "GET" } => "If-None-Match",
            _ => null,
        };
        if (stray is not null)
        {
            throw RefusedException.BadRequest("not-supported", $"{stray} is not supported for {request.Method}.");
        }
    }

    private static void RefuseParameters(FhirRequest request)
    {
        foreach (string name in QueryHelpers.ParseQuery(request.Query).Keys.Where(name => name != "_format"))
        {
            throw RefusedException.BadRequest("not-supported", $"The parameter '{name}' is not supported here.");
        }
    }

    private static bool IsId(string text) => IdPattern().IsMatch(text);

    [GeneratedRegex(@"^[A-Za-z0-9\-\.]{1,64}\z", RegexOptions.CultureInvariant, matchTimeoutMilliseconds: 1000)]
    private static partial Regex IdPattern();

    [GeneratedRegex("^(?:W/)?\"(?<version>[^\"]*)\"\\z", RegexOptions.CultureInvariant, matchTimeoutMilliseconds: 1000)]
    private static partial Regex EntityTagPattern();
}
