using System.Collections.Immutable;
using System.Text;
using System.Text.Json;
using Titration.Worker.Delivery;

namespace Titration.Worker.Reading;

/// <summary>A page of a search.</summary>
/// <param name="Resources">The bytes of each resource that was found.</param>
/// <param name="Total">How many the whole search finds; null where the server does not say.</param>
/// <param name="Next">Where the next page is; null for the last.</param>
internal sealed record SearchPage(ImmutableArray<ReadOnlyMemory<byte>> Resources, int? Total, string? Next)
{
    /// <summary>Takes a searchset apart.</summary>
    public static SearchPage Of(string json)
    {
        using JsonDocument document = JsonDocument.Parse(json);
        JsonElement bundle = document.RootElement;
        return new SearchPage(
            [.. ServerAbilities.Items(bundle, "entry").Where(IsFound).Select(e => (ReadOnlyMemory<byte>)Encoding.UTF8.GetBytes(e.GetProperty("resource").GetRawText()))],
            ServerAbilities.Member(bundle, "total") is { ValueKind: JsonValueKind.Number } total && total.TryGetInt32(out int number) ? number : null,
            ServerAbilities.Items(bundle, "link").Where(l => ServerAbilities.Text(l, "relation") == "next").Select(l => ServerAbilities.Text(l, "url")).FirstOrDefault());
    }

    // What the server has to say about the search comes as an entry too.
    private static bool IsFound(JsonElement entry) =>
        ServerAbilities.Member(entry, "resource") is { ValueKind: JsonValueKind.Object }
        && (ServerAbilities.Member(entry, "search") is not { } search || ServerAbilities.Text(search, "mode") is not "outcome");
}
