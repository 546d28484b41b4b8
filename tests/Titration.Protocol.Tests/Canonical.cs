using System.Collections.Immutable;
using System.Text.Json;
using Titration.Protocol.Decisions;
using Titration.Protocol.Facts;

namespace Titration.Protocol.Tests;

/// <summary>Evaluations as text that is equal exactly when they are.</summary>
internal static class Canonical
{
    public static string Of(IEnumerable<Evaluation> evaluations) => JsonSerializer.Serialize(evaluations.ToArray());

    /// <summary>The facts after a journey through JSON, as a store would give them back.</summary>
    public static ImmutableArray<Fact> ThroughJson(ImmutableArray<Fact> facts) =>
        JsonSerializer.Deserialize<ImmutableArray<Fact>>(JsonSerializer.Serialize(facts));
}
