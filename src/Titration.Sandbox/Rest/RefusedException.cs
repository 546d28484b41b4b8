using System.Collections.Immutable;

namespace Titration.Sandbox.Rest;

/// <summary>One issue of an OperationOutcome.</summary>
/// <param name="Code">From the R4 value set issue-type.</param>
/// <param name="Diagnostics">For the sender of the request; it may quote what was sent, so it never goes to a log.</param>
/// <param name="Expression">The element at fault, where there is one.</param>
public sealed record FhirIssue(string Code, string Diagnostics, string? Expression = null);

/// <summary>A request that is answered with an OperationOutcome and changes nothing: an exception, since it also has to undo a transaction.</summary>
public sealed class RefusedException : Exception
{
    internal RefusedException(int status, params ImmutableArray<FhirIssue> issues)
        : base($"The request was refused with status {status}.")
    {
        Status = status;
        Issues = issues;
    }

    /// <summary>The HTTP status of the answer.</summary>
    public int Status { get; }

    public ImmutableArray<FhirIssue> Issues { get; }

    /// <summary>For status 405, the methods that would have been allowed.</summary>
    internal ImmutableArray<string> Allowed { get; init; } = [];

    internal static RefusedException BadRequest(string code, string diagnostics) => new(400, new FhirIssue(code, diagnostics));

    internal static RefusedException Parameter(string name, string problem) => BadRequest("value", $"The parameter '{name}' {problem}.");

    internal static RefusedException NotFound(string diagnostics) => new(404, new FhirIssue("not-found", diagnostics));

    /// <summary>The same refusal, said of an entry of a Bundle.</summary>
    internal RefusedException InEntry(int index) =>
        new(Status, [.. Issues.Select(i => i with { Diagnostics = $"Entry {index}: {i.Diagnostics}", Expression = i.Expression ?? $"Bundle.entry[{index}]" })]) { Allowed = Allowed };
}
