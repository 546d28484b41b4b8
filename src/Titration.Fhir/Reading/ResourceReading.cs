using System.Collections.Immutable;
using Titration.Protocol.Facts;

namespace Titration.Fhir.Reading;

/// <summary>What became of one resource. A closed set: <see cref="Match{T}"/> names every case.</summary>
public abstract record ResourceReading
{
    private ResourceReading(ResourceHeader header, ReadOnlyMemory<byte> bytes)
    {
        Header = header;
        Bytes = bytes;
    }

    /// <summary>What identifies the resource.</summary>
    public ResourceHeader Header { get; }

    /// <summary>Its own UTF-8 bytes: a slice of the body where it came in a Bundle.</summary>
    public ReadOnlyMemory<byte> Bytes { get; }

    /// <summary>It says something of a treatment or a patient.</summary>
    /// <param name="Fact">What it says.</param>
    /// <param name="UnmappedCodes">Codes in it that nobody has mapped; the rest counts without them.</param>
    public sealed record Understood(ResourceHeader Header, ReadOnlyMemory<byte> Bytes, Fact Fact, ImmutableArray<SystemCode> UnmappedCodes)
        : ResourceReading(Header, Bytes);

    /// <summary>
    /// Well formed and not relevant. Where an earlier version of the same resource was relevant, this one withdraws it.
    /// </summary>
    /// <param name="Reason">Why, in one sentence.</param>
    public sealed record Skipped(ResourceHeader Header, ReadOnlyMemory<byte> Bytes, string Reason) : ResourceReading(Header, Bytes);

    /// <summary>Cannot be used as it is: for quarantine.</summary>
    /// <param name="Path">Where, such as <c>MedicationRequest.dosageInstruction[0].doseAndRate[0].doseQuantity.unit</c>.</param>
    /// <param name="Problem">What is wrong and what is needed, in one sentence without a word of the resource's own content.</param>
    public sealed record Refused(ResourceHeader Header, ReadOnlyMemory<byte> Bytes, string Path, string Problem) : ResourceReading(Header, Bytes);

    /// <summary>Might be ours, but nobody has mapped its code: to be read again when the mapping changes.</summary>
    /// <param name="Codes">The unmapped codes; empty for a product in words only.</param>
    public sealed record Unmapped(ResourceHeader Header, ReadOnlyMemory<byte> Bytes, ImmutableArray<SystemCode> Codes)
        : ResourceReading(Header, Bytes);

    /// <summary>Cannot be read without other resources.</summary>
    /// <param name="References">What to fetch: <c>Type/id</c>, with <c>/_history/version</c> where a version was named.</param>
    public sealed record Incomplete(ResourceHeader Header, ReadOnlyMemory<byte> Bytes, ImmutableArray<string> References)
        : ResourceReading(Header, Bytes);

    /// <summary>
    /// Deleted on the server, or entered in error with so little left in it that no fact can be made of it:
    /// every earlier version counts as entered in error.
    /// </summary>
    public sealed record Deleted(ResourceHeader Header, ReadOnlyMemory<byte> Bytes) : ResourceReading(Header, Bytes);

    /// <summary>A Task or CommunicationRequest that this service issued: an answer, a change by somebody, or an echo.</summary>
    /// <param name="Key">The value of our identifier.</param>
    /// <param name="Answer">What a clinician answered; null for an echo, and for a state that decides nothing.</param>
    public sealed record Own(ResourceHeader Header, ReadOnlyMemory<byte> Bytes, Guid Key, OwnAnswer? Answer) : ResourceReading(Header, Bytes);

    /// <summary>One arm for each case: a new case stops every caller from compiling.</summary>
    public T Match<T>(
        Func<Understood, T> understood,
        Func<Skipped, T> skipped,
        Func<Refused, T> refused,
        Func<Unmapped, T> unmapped,
        Func<Incomplete, T> incomplete,
        Func<Deleted, T> deleted,
        Func<Own, T> own) => this switch
        {
            Understood reading => understood(reading),
            Skipped reading => skipped(reading),
            Refused reading => refused(reading),
            Unmapped reading => unmapped(reading),
            Incomplete reading => incomplete(reading),
            Deleted reading => deleted(reading),
            Own reading => own(reading),
            _ => throw new System.Diagnostics.UnreachableException(),
        };
}
