using System.Collections.Immutable;
using Titration.Protocol.Facts;

namespace Titration.Fhir.Reading;

/// <summary>One resource to be read, and the readings it can become.</summary>
/// <param name="Header">What identifies it.</param>
/// <param name="Bytes">Its own UTF-8 bytes.</param>
/// <param name="Tokens">JSON tokens in them, where they have been counted.</param>
internal sealed record ReadingSource(ResourceHeader Header, ReadOnlyMemory<byte> Bytes, int Tokens = 0)
{
    public ResourceReading Understood(Fact fact, ImmutableArray<SystemCode> unmapped) => new ResourceReading.Understood(Header, Bytes, fact, unmapped);

    public ResourceReading Skipped(string reason) => new ResourceReading.Skipped(Header, Bytes, reason);

    public ResourceReading Refused(string path, string problem) => new ResourceReading.Refused(Header, Bytes, path, problem);

    public ResourceReading Unmapped(ImmutableArray<SystemCode> codes) => new ResourceReading.Unmapped(Header, Bytes, codes);

    public ResourceReading Incomplete(params ImmutableArray<string> references) => new ResourceReading.Incomplete(Header, Bytes, references);

    public ResourceReading Deleted() => new ResourceReading.Deleted(Header, Bytes);

    public ResourceReading Own(Guid key, OwnAnswer? answer) => new ResourceReading.Own(Header, Bytes, key, answer);

    /// <summary>The version that a fact cites.</summary>
    /// <param name="contentHash">SHA-256 of the canonical content.</param>
    public ResourceVersion Version(string contentHash) =>
        new(Header.Type!, Header.Id!, Header.VersionId, Header.LastUpdated, contentHash);
}
