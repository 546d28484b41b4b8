using System.Collections.Immutable;
using System.Text.Encodings.Web;
using System.Text.Json;
using System.Text.Json.Nodes;
using Titration.Fhir.Reading;
using Titration.Protocol.Facts;
using Titration.TestKit;
using Titration.TestKit.Builders;
using Xunit;

namespace Titration.Fhir.Tests.Reading;

public sealed class ExampleTests
{
    private static readonly JsonSerializerOptions Indented = new()
    {
        WriteIndented = true,
        NewLine = "\n",
        Encoder = JavaScriptEncoder.UnsafeRelaxedJsonEscaping,
    };

    public static TheoryData<string> Examples => [.. Files("inputs"), .. Files("messages"), .. Files("approval")];

    [Theory]
    [MemberData(nameof(Examples))]
    public void An_example_gives_the_facts_it_should(string file)
    {
        byte[] bytes = File.ReadAllBytes(Repository.File("tests", "data", "fhir-examples", file));
        if (Path.GetFileName(file).StartsWith("amqp-", StringComparison.Ordinal))
        {
            // Written down with the broker's properties around the body.
            bytes = JsonNode.Parse(bytes)!["body"]!.ToUtf8();
        }

        string readings = JsonSerializer.Serialize(Readers.Reader.Read(bytes).Select(Shown), Indented);

        GoldenFile.Check(readings + "\n", "Titration.Fhir.Tests", "Reading", "golden", file);
    }

    [Fact]
    public void The_official_examples_are_read_and_no_treatment_is_found_in_them()
    {
        string folder = Repository.File("tests", "data", "fhir-r4-examples");
        string[] files = Directory.GetFiles(folder, "*.json", SearchOption.AllDirectories);
        ImmutableArray<(string File, ResourceReading Reading)> readings =
            [.. files.Select(file => (Path.GetFileName(file), Assert.Single(Readers.Reader.Read(File.ReadAllBytes(file)))))];

        Assert.Equal(104, readings.Length);
        Assert.DoesNotContain(readings, r => r.Reading is ResourceReading.Understood);
        Assert.All(
            readings.Where(r => r.File.StartsWith("Observation", StringComparison.Ordinal)),
            r => Assert.IsType<ResourceReading.Skipped>(r.Reading));
        Assert.All(
            readings.Where(r => r.File.StartsWith("MedicationRequest", StringComparison.Ordinal)),
            r => Assert.True(r.Reading is ResourceReading.Unmapped or ResourceReading.Incomplete or ResourceReading.Skipped, r.File));
    }

    private static IEnumerable<string> Files(string folder) =>
        Directory.GetFiles(Repository.File("tests", "data", "fhir-examples", folder), "*.json")
            .Select(file => $"{folder}/{Path.GetFileName(file)}").Order(StringComparer.Ordinal);

    private static JsonNode Shown(ResourceReading reading)
    {
        JsonObject shown = reading.Match(
            r => new JsonObject { ["understood"] = JsonSerializer.SerializeToNode(r.Fact), ["unmapped"] = Codes(r.UnmappedCodes) },
            r => new JsonObject { ["skipped"] = r.Reason },
            r => new JsonObject { ["refused"] = r.Path, ["problem"] = r.Problem },
            r => new JsonObject { ["unmapped"] = Codes(r.Codes) },
            r => new JsonObject { ["incomplete"] = new JsonArray([.. r.References.Select(x => (JsonNode)x)]) },
            r => new JsonObject { ["deleted"] = r.Header.Id },
            r => new JsonObject { ["own"] = r.Key });
        shown.Insert(0, "header", JsonSerializer.SerializeToNode(reading.Header));
        return shown;
    }

    private static JsonArray Codes(ImmutableArray<SystemCode> codes) => new([.. codes.Select(c => (JsonNode)$"{c.System}|{c.Code}")]);
}
