using System.Collections.Immutable;

namespace Titration.Protocol.Definitions;

/// <summary>Something wrong in a protocol.</summary>
/// <param name="Path">Where, as a JSON Pointer into the file, such as <c>/standardLadder/steps/1</c>.</param>
/// <param name="Problem">What, and what would be right.</param>
public sealed record ProtocolProblem(string Path, string Problem);

/// <summary>
/// Checks what a protocol's schema cannot say: numbers that contradict each other, gates that never open, steps that are too large.
/// Reports every problem, not the first.
/// </summary>
public static class ProtocolValidator
{
    public static ImmutableArray<ProtocolProblem> Problems(ProtocolDefinition protocol) =>
    [
        .. JurisdictionProblems(protocol),
        .. LadderProblems.Of(protocol),
        .. GateProblems.Of(protocol),
        .. LimitProblems.Of(protocol),
        .. FindingProblems.Of(protocol),
        .. ProductProblems.Of(protocol),
    ];

    private static IEnumerable<ProtocolProblem> JurisdictionProblems(ProtocolDefinition protocol)
    {
        HashSet<string> codes = new(StringComparer.Ordinal);
        for (int i = 0; i < protocol.Jurisdictions.Length; i++)
        {
            JurisdictionProfile profile = protocol.Jurisdictions[i];
            if (!codes.Add(profile.Code))
            {
                yield return new($"/jurisdictions/{i}/code", $"the jurisdiction \"{profile.Code}\" is listed twice");
            }

            for (int k = 0; k < profile.ContraindicatedInPregnancy.Length; k++)
            {
                string ingredient = profile.ContraindicatedInPregnancy[k];
                if (protocol.ProductOf(ingredient) is null)
                {
                    yield return new(
                        $"/jurisdictions/{i}/contraindicatedInPregnancy/{k}",
                        $"\"{ingredient}\" is none of the products ({string.Join(", ", protocol.Products.Select(p => p.Ingredient))})");
                }
            }
        }

        if (!codes.Contains(protocol.Jurisdiction))
        {
            yield return new("/jurisdiction", $"\"{protocol.Jurisdiction}\" is none of the jurisdictions listed ({string.Join(", ", codes)})");
        }
    }
}
