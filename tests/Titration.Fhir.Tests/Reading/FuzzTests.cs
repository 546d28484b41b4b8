using System.Collections.Immutable;
using System.Diagnostics;
using System.Globalization;
using System.Text;
using System.Text.Json.Nodes;
using Titration.Fhir.Reading;
using Titration.Protocol.Facts;
using Titration.TestKit;
using Titration.TestKit.Builders;
using Xunit;

namespace Titration.Fhir.Tests.Reading;

/// <summary>
/// Damaged resources, half of them still JSON. <c>TITRATION_FUZZ</c> sets how many, <c>TITRATION_FUZZ_SEED</c> which.
/// </summary>
public sealed class FuzzTests
{
    private static readonly TimeSpan Slow = TimeSpan.FromSeconds(1);

    /// <summary>Bytes that reading one of these bodies, none above 100 kB, may allocate in all.</summary>
    private const long Most = 64 * 1024 * 1024;

    [Fact]
    public void Whatever_arrives_is_classified_quickly_and_without_an_exception()
    {
        int count = Setting("TITRATION_FUZZ", 100_000);
        int seed = Setting("TITRATION_FUZZ_SEED", 20260301);
        ImmutableArray<byte[]> corpus = Corpus();
        foreach (byte[] body in corpus)
        {
            Readers.Reader.Read(body);
        }

        Parallel.For(0, count, i =>
        {
            Random random = new(seed + i);
            byte[] original = corpus[random.Next(corpus.Length)];
            byte[] body = i % 2 == 0 ? Mutation.OfStructure(original, random) : Mutation.OfBytes(original, random);
            Check(body, seed + i);
        });
    }

    private static void Check(byte[] body, int seed)
    {
        ImmutableArray<ResourceReading> readings = [];
        TimeSpan fastest = TimeSpan.MaxValue;

        // The machine may be busy with something else: a body is slow only if it is slow twice.
        for (int attempt = 0; attempt < 2 && fastest > Slow; attempt++)
        {
            Stopwatch watch = Stopwatch.StartNew();
            long before = GC.GetAllocatedBytesForCurrentThread();
            try
            {
                readings = Readers.Reader.Read(body);
            }
            catch (Exception exception)
            {
                throw new InvalidOperationException($"Seed {seed} throws: {Encoding.UTF8.GetString(body)}", exception);
            }

            fastest = watch.Elapsed < fastest ? watch.Elapsed : fastest;
            long allocated = GC.GetAllocatedBytesForCurrentThread() - before;
            Assert.True(allocated <= Most, $"Seed {seed} allocates {allocated} bytes.");
        }

        Assert.True(fastest <= Slow, $"Seed {seed} takes {fastest}.");
        foreach (ResourceReading reading in readings)
        {
            AssertSound(reading, seed);
        }

        // This refusal stands for an exception, which only an escape that cannot be decoded may cause.
        Assert.True(
            !readings.Any(r => r is ResourceReading.Refused { Problem: "A member's name or a string outside the resources cannot be decoded." })
            || body.AsSpan().IndexOf("\\u"u8) >= 0);
    }

    /// <summary>What leaves the reader is usable, whatever went in.</summary>
    private static void AssertSound(ResourceReading reading, int seed)
    {
        bool sound = reading.Match(
            r => r.Fact.Source.ContentHash.Length == 64 && r.Fact.Patient.Length > 0 && IsSound(r.Fact),
            r => r.Reason.Length > 0,
            r => r is { Path.Length: > 0, Problem.Length: > 0 },
            _ => true,
            r => !r.References.IsEmpty,
            r => r.Header is { Type: not null, Id: not null },
            r => r.Key != Guid.Empty || r.Header.Id is not null);
        Assert.True(sound, $"Seed {seed} gives an unsound reading.");
    }

    private static bool IsSound(Fact fact) => fact switch
    {
        PrescriptionFact p => p.Fills >= 1 && p.GramsPerFill is null or > 0
            && p.Phases.All(phase => phase.GramsPerApplication is > 0 and <= 1_000 && phase.Frequency.NightsPerWeek is > 0 and <= 700)
            && (p.Product.Role != ProductRole.Titrated || p.Phases.IsEmpty == p.Doubts.Any(d => d != DosageDoubt.StrengthUnknown)),
        ObservationFact o => o.Statements.All(s => s is not Statement.Graded g || Enum.IsDefined(g.Grade)),
        _ => true,
    };

    private static ImmutableArray<byte[]> Corpus()
    {
        string folder = Repository.File("tests", "data", "fhir-examples");
        return
        [
            FhirJson.MedicationRequest(start: "2026-03-01", prior: "rx-0").ToUtf8(),
            FhirJson.CheckIn(nightsApplied: 3, basedOn: "rx-1").ToUtf8(),
            FhirJson.Observation("facial-swelling", "valueBoolean", true).ToUtf8(),
            FhirJson.Observation("effect", "valueCodeableConcept", FhirJson.Concept(FhirJson.Tolerability, "enough")).ToUtf8(),
            FhirJson.Patient().ToUtf8(),
            FhirJson.Deletion("Observation", "obs-1").ToUtf8(),
            FhirJson.Bundle("searchset", FhirJson.MedicationRequest(), FhirJson.CheckIn()).ToUtf8(),
            .. Directory.GetFiles(folder, "*.json", SearchOption.AllDirectories).Order(StringComparer.Ordinal).Select(File.ReadAllBytes),
        ];
    }

    private static int Setting(string name, int otherwise) =>
        int.TryParse(Environment.GetEnvironmentVariable(name), CultureInfo.InvariantCulture, out int value) ? value : otherwise;
}

/// <summary>Ways to damage a resource.</summary>
internal static class Mutation
{
    private static readonly ImmutableArray<string> Oddities =
    [
        "null", "true", "0", "-1", "1.5", "3", "4", "1e400", "99999999999", "\"\"", "\" \"", "\"final\"", "\"2026\"", "\"2026-02-30\"",
        "\"0001-01-01T00:00:00+14:00\"", "\"9999-12-31T23:59:59Z\"", "\"2026-03-14T23:59:60Z\"", "\"\\ud800\"", "\"\\u0000\"", "\"#x\"", "\"Patient/\"", "[]",
        "{}", "[[]]", "[null]", "{\"coding\":[{}]}", "\"entered-in-error\"", "79228162514264337593543950335", "0.0000000000000000000000000001",
    ];

    /// <summary>Still JSON: values are replaced, removed, doubled, moved.</summary>
    public static byte[] OfStructure(byte[] body, Random random)
    {
        JsonNode root = JsonNode.Parse(body)!;
        for (int i = random.Next(1, 4); i > 0; i--)
        {
            Damage(root, random);
        }

        return root.ToUtf8();
    }

    /// <summary>Mostly no JSON any more: bytes are changed, cut, doubled.</summary>
    public static byte[] OfBytes(byte[] body, Random random)
    {
        List<byte> bytes = [.. body];
        for (int i = random.Next(1, 5); i > 0 && bytes.Count > 1; i--)
        {
            int at = random.Next(bytes.Count);
            int length = random.Next(Math.Min(20, bytes.Count - at));
            switch (random.Next(5))
            {
                case 0:
                    bytes[at] = (byte)random.Next(256);
                    break;
                case 1:
                    bytes.RemoveRange(at, length);
                    break;
                case 2:
                    bytes.InsertRange(at, bytes.GetRange(at, length));
                    break;
                case 3:
                    bytes.InsertRange(at, Encoding.UTF8.GetBytes(Oddities[random.Next(Oddities.Length)]));
                    break;
                default:
                    bytes.RemoveRange(at, random.Next(10) == 0 ? bytes.Count - at : 1);
                    break;
            }
        }

        return [.. bytes];
    }

    private static void Damage(JsonNode root, Random random)
    {
        List<JsonNode> containers = [.. Containers(root)];
        switch (containers[random.Next(containers.Count)])
        {
            case JsonObject { Count: > 0 } members:
                string name = members.ElementAt(random.Next(members.Count)).Key;
                Damage(members, name, random);
                break;
            case JsonArray { Count: > 0 } items:
                int index = random.Next(items.Count);
                JsonNode? copy = items[index]?.DeepClone();
                items.Insert(index, random.Next(2) == 0 ? copy : Oddity(random));
                break;
        }
    }

    private static void Damage(JsonObject members, string name, Random random)
    {
        switch (random.Next(4))
        {
            case 0:
                members.Remove(name);
                break;
            case 1:
                members[name] = Oddity(random);
                break;
            case 2:
                JsonNode? value = members[name]?.DeepClone();
                members[name] = new JsonArray(value);
                break;
            default:
                JsonNode? moved = members[name]?.DeepClone();
                members.Remove(name);
                members[name + "x"] = moved;
                break;
        }
    }

    private static JsonNode? Oddity(Random random)
    {
        string oddity = Oddities[random.Next(Oddities.Length)];
        return oddity.Contains("\\u", StringComparison.Ordinal) ? JsonValue.Create(oddity) : JsonNode.Parse(oddity);
    }

    private static IEnumerable<JsonNode> Containers(JsonNode node)
    {
        IEnumerable<JsonNode?> children = node switch
        {
            JsonObject members => members.Select(m => m.Value),
            JsonArray items => items,
            _ => [],
        };
        return [node, .. children.OfType<JsonNode>().Where(c => c is JsonObject or JsonArray).SelectMany(Containers)];
    }
}
