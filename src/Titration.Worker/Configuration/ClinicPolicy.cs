using System.Collections.Immutable;
using System.Text;
using System.Text.Json;
using Titration.Fhir.Reading;
using Titration.Fhir.Writing;
using Titration.Protocol.Courses;
using Titration.Protocol.Definitions;
using Titration.Protocol.Facts;
using Titration.Storage.Ledger;
using Titration.Worker.Access;

namespace Titration.Worker.Configuration;

/// <summary>
/// What the clinic decided in advance, as one: protocol, code mapping, wording, time zone and whom it follows, under one content hash that every
/// decision records.
/// </summary>
public sealed record ClinicPolicy
{
    /// <summary>The name of the part that is the protocol file.</summary>
    public const string ProtocolPart = "protocol";

    /// <summary>The name of the part that is the time zone's id.</summary>
    public const string TimeZonePart = "time-zone";

    /// <summary>The name of the part that says whom the clinic follows; there is none where that is everybody.</summary>
    public const string FollowPart = "follow";

    public required ProtocolDefinition Protocol { get; init; }

    public required Vocabulary Vocabulary { get; init; }

    public required Wording Wording { get; init; }

    public required TimeZoneInfo Zone { get; init; }

    public Following Follow { get; init; }

    /// <summary>The parts as written.</summary>
    public required ImmutableArray<PolicyPart> Parts { get; init; }

    /// <summary>SHA-256 over the parts, lower-case hexadecimal.</summary>
    public required string Hash { get; init; }

    public ProtocolIdentity Identity => IdentityOf(Protocol);

    /// <summary>What resources cite of a protocol.</summary>
    public static ProtocolIdentity IdentityOf(ProtocolDefinition protocol) =>
        new(protocol.Name, protocol.Version, $"https://titration.example.org/fhir/PlanDefinition/{protocol.Name}") { FingertipUnitGrams = protocol.Dose.FingertipUnitGrams };

    /// <summary>Reads the policy's files. Every problem goes to <paramref name="problems"/>; null where there was one.</summary>
    public static ClinicPolicy? Load(
        string protocolFile, string mappingFile, string wordingFolder, TimeZoneInfo zone, ICollection<string> problems, Following follow = Following.All)
    {
        byte[]? protocolBytes = Read(protocolFile, "Titration:Protocol:File", BuiltIn.Protocol, problems);
        byte[]? mappingBytes = mappingFile.Length == 0 ? [] : Read(mappingFile, "Titration:Mapping:File", null, problems);
        ProtocolDefinition? protocol = protocolBytes is null ? null : ParseProtocol(protocolBytes, protocolFile, problems);
        Vocabulary? vocabulary = protocol is null || mappingBytes is null ? null : ParseMapping(protocol, mappingBytes, mappingFile, problems);
        ClinicWording wording = ClinicWording.Load(wordingFolder);
        foreach (string problem in wording.Problems)
        {
            problems.Add($"Titration:Wording:Folder: {problem}");
        }

        if (protocol is null || vocabulary is null || wording.Wording is null)
        {
            return null;
        }

        ImmutableArray<PolicyPart> parts =
        [
            new(ProtocolPart, protocolBytes!), new("mapping", mappingBytes!), .. wording.Parts.Select((bytes, n) => new PolicyPart($"wording-{n + 1}", bytes)),
            new(TimeZonePart, Encoding.UTF8.GetBytes(zone.Id)),
            .. follow == Following.All ? [] : new[] { new PolicyPart(FollowPart, Encoding.UTF8.GetBytes(follow.Code())) },
        ];
        return new ClinicPolicy
        {
            Protocol = protocol,
            Vocabulary = vocabulary,
            Wording = wording.Wording,
            Zone = zone,
            Follow = follow,
            Parts = parts,
            Hash = PolicyContent.HashOf(parts),
        };
    }

    private static byte[]? Read(string file, string setting, ReadOnlyMemory<byte>? builtIn, ICollection<string> problems)
    {
        if (file.Length == 0 && builtIn is { } content)
        {
            return content.ToArray();
        }

        try
        {
            return BoundedFile.Read(file, BoundedFile.PolicyBytes);
        }
        catch (Exception problem) when (problem is IOException or UnauthorizedAccessException)
        {
            problems.Add($"{setting}: cannot read \"{file}\": {problem.Message}");
            return null;
        }
    }

    private static ProtocolDefinition? ParseProtocol(byte[] utf8, string file, ICollection<string> problems)
    {
        if (file.Length == 0)
        {
            // The tests have read the one that comes with the service.
            return ProtocolJson.Parse(utf8);
        }

        ProtocolReading reading = ProtocolReading.Of(utf8);
        foreach (ProtocolFileProblem problem in reading.Problems)
        {
            problems.Add($"Titration:Protocol:File: {file}:{problem.Line}: {problem}");
        }

        return reading.Problems.IsEmpty ? reading.Protocol : null;
    }

    private static Vocabulary? ParseMapping(ProtocolDefinition protocol, byte[] utf8, string file, ICollection<string> problems)
    {
        if (utf8.Length == 0)
        {
            return Vocabulary.Of(protocol);
        }

        try
        {
            MappingFile mapping = MappingJson.Parse(utf8);
            ImmutableArray<MappingProblem> found = mapping.Problems(protocol);
            foreach (MappingProblem p in found)
            {
                problems.Add($"Titration:Mapping:File: \"{file}\" {p.Path}: {p.Problem}");
            }

            return found.IsEmpty ? Vocabulary.Of(protocol, mapping) : null;
        }
        catch (JsonException problem)
        {
            problems.Add($"Titration:Mapping:File: \"{file}\" line {problem.LineNumber + 1}, {problem.Path}: {problem.Message}");
            return null;
        }
    }
}

/// <summary>The files that come with the service.</summary>
public static class BuiltIn
{
    public static ReadOnlyMemory<byte> Protocol { get; } = Resource("protocol.json");

    /// <summary>What the service needs of a FHIR server, as a CapabilityStatement.</summary>
    public static ReadOnlyMemory<byte> Capabilities { get; } = Resource("capabilities.json");

    public static ImmutableArray<WordingFile> Wording { get; } =
        [new WordingFile("en.json", Resource("wording.en.json")), new WordingFile("de.json", Resource("wording.de.json"))];

    private static byte[] Resource(string name)
    {
        using Stream stream = typeof(BuiltIn).Assembly.GetManifestResourceStream(name)
            ?? throw new InvalidOperationException($"The build left out {name}.");
        byte[] bytes = new byte[stream.Length];
        stream.ReadExactly(bytes);
        return bytes;
    }
}
