using System.Collections.Immutable;
using System.Diagnostics;
using System.Text.Json;
using Titration.Fhir.Reading;
using Titration.Protocol.Courses;
using Titration.Protocol.Facts;
using Titration.Protocol.Rules;
using Titration.TestKit;

namespace Titration.Benchmarks;

/// <summary>
/// The service's side of <c>tests/cql/ratio.mjs</c>: the bytes of each history to facts and to an evaluation, one after the other on one
/// thread. Prints the milliseconds of each pass over all histories as a JSON array; two passes before them warm up.
/// </summary>
internal static class HistoriesTiming
{
    private sealed record Look(string Folder, string AsOf, string Zone);

    public static void Run(string folder, int passes)
    {
        (byte[] Bytes, AsOf At)[] histories =
        [
            .. JsonSerializer.Deserialize<Look[]>(File.ReadAllBytes(Path.Combine(folder, "looks.json")), JsonSerializerOptions.Web)!.SelectMany(look =>
            {
                AsOf at = new(DateTimeOffset.Parse(look.AsOf, null), TimeZoneInfo.FindSystemTimeZoneById(look.Zone));
                return Directory.EnumerateFiles(Path.Combine(folder, look.Folder), "*.json").Select(file => (File.ReadAllBytes(file), at));
            }),
        ];
        FhirReader reader = new(Vocabulary.Of(Story.Standard));
        List<double> milliseconds = [];
        for (int pass = -2; pass < passes; pass++)
        {
            long start = Stopwatch.GetTimestamp();
            int courses = histories.Sum(h => Evaluate(reader, h.Bytes, h.At));
            if (pass >= 0)
            {
                milliseconds.Add(Stopwatch.GetElapsedTime(start).TotalMilliseconds);
            }

            if (courses == 0)
            {
                throw new InvalidOperationException($"{folder} holds no course.");
            }
        }

        Console.WriteLine(JsonSerializer.Serialize(milliseconds));
    }

    private static int Evaluate(FhirReader reader, byte[] bundle, AsOf at)
    {
        ImmutableArray<Fact> facts = [.. reader.Read(bundle).OfType<ResourceReading.Understood>().Select(r => r.Fact)];
        return TitrationPolicy.Evaluate(new PatientHistory(facts[0].Patient, facts), Story.Standard, at).Length;
    }
}
