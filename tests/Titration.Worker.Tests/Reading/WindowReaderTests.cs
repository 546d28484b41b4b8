using System.Collections.Immutable;
using System.Globalization;
using System.Net;
using System.Text;
using System.Text.Json.Nodes;
using Microsoft.Extensions.Configuration;
using Microsoft.Extensions.Time.Testing;
using Titration.Worker.Configuration;
using Titration.Worker.Delivery;
using Titration.Worker.Hosting;
using Titration.Worker.Reading;
using Xunit;

namespace Titration.Worker.Tests.Reading;

/// <summary>Reading by windows of <c>_lastUpdated</c>, whatever the server says or leaves out.</summary>
public sealed class WindowReaderTests
{
    private static readonly DateTimeOffset Start = new(2026, 1, 1, 0, 0, 0, TimeSpan.Zero);

    private static CancellationToken Cancelled => TestContext.Current.CancellationToken;

    [Theory]
    [InlineData(true)]
    [InlineData(false)]
    public async Task Every_resource_is_read_and_the_position_moves_in_small_steps_whether_or_not_the_server_counts(bool counts)
    {
        // An import of 5,000 within a minute, and one change an hour ever since.
        Server server = new(counts, [.. Enumerable.Range(0, 5_000).Select(i => Start.AddMilliseconds(i * 12)), .. Enumerable.Range(1, 1_000).Select(i => Start.AddHours(i))]);
        HashSet<string> read = [];
        List<DateTimeOffset> done = [];

        await ReadAsync(server, read, done);

        Assert.Equal(6_000, read.Count);
        Assert.Equal(done.Order(), done);
        Assert.True(done.Count >= 4, $"{done.Count} windows");
        Assert.Equal(Start.AddDays(60), done[^1]);
    }

    [Fact]
    public async Task Changes_of_one_instant_are_read_as_one_window_however_many_they_are()
    {
        Server server = new(counts: true, [.. Enumerable.Repeat(Start.AddDays(3), 3_000)]);
        HashSet<string> read = [];

        await ReadAsync(server, read, []);

        Assert.Equal(3_000, read.Count);
    }

    [Fact]
    public async Task A_link_that_leads_to_another_machine_is_not_followed()
    {
        Server server = new(counts: true, [.. Enumerable.Repeat(Start.AddDays(3), 300)]) { LinksTo = "http://inner:8080/fhir/" };

        FhirSearchException problem = await Assert.ThrowsAsync<FhirSearchException>(() => ReadAsync(server, [], []));

        Assert.Contains("Titration__FhirServer__BaseUrl", problem.Message, StringComparison.Ordinal);
        Assert.All(server.Asked, a => Assert.Equal("clinic.example.org", a.Host));
    }

    [Fact]
    public async Task A_busy_server_is_asked_again_when_it_said_so_and_given_up_after_the_patience()
    {
        FakeTimeProvider time = new(Start);
        Server server = new(counts: true, [Start.AddDays(3)]) { BusyTimes = 2, RetryAfter = 30 };
        HashSet<string> read = [];

        Task reading = ReadAsync(server, read, [], time);
        while (!reading.IsCompleted)
        {
            time.Advance(TimeSpan.FromSeconds(1));
            await Task.Yield();
        }

        await reading;
        Assert.Single(read);
        Assert.True(time.GetUtcNow() - Start >= TimeSpan.FromSeconds(60), $"{time.GetUtcNow() - Start}");

        server.BusyTimes = 1;
        server.RetryAfter = 3600;
        Assert.Contains("http-503", (await Assert.ThrowsAsync<FhirSearchException>(() => ReadAsync(server, [], [], time))).Message, StringComparison.Ordinal);
    }

    private static async Task ReadAsync(Server server, HashSet<string> read, List<DateTimeOffset> done, TimeProvider? time = null)
    {
        List<string> problems = [];
        Settings settings = Settings.From(
            new ConfigurationBuilder().AddInMemoryCollection([new("Titration:FhirServer:BaseUrl", "https://clinic.example.org/fhir")]).Build(), problems)!;
        FhirServerAddress address = new(settings);
        using HttpClient http = new(server, disposeHandler: false);
        FhirServerClient client = new(http, address, time ?? TimeProvider.System);
        WindowReader reader = new(new FhirSearch(client, address, time ?? TimeProvider.System));
        await reader.ReadAsync(
            "Observation", Start.AddDays(-30), Start.AddDays(60), 100, TimeSpan.FromMinutes(10),
            new WindowSink(
                _ => { },
                (page, _) =>
                {
                    foreach (ReadOnlyMemory<byte> resource in page.Resources)
                    {
                        read.Add(JsonNode.Parse(resource.Span)!["id"]!.GetValue<string>());
                    }

                    return Task.CompletedTask;
                },
                (until, _) =>
                {
                    done.Add(until);
                    return Task.CompletedTask;
                }),
            Cancelled);
    }

    /// <summary>Answers searches over resources that differ in nothing but their id and the time of their change.</summary>
    private sealed class Server(bool counts, ImmutableArray<DateTimeOffset> changed) : HttpMessageHandler
    {
        public string LinksTo { get; init; } = "https://clinic.example.org/fhir/";

        public int BusyTimes { get; set; }

        public int RetryAfter { get; set; }

        public List<Uri> Asked { get; } = [];

        protected override Task<HttpResponseMessage> SendAsync(HttpRequestMessage request, CancellationToken cancellationToken)
        {
            Asked.Add(request.RequestUri!);
            if (BusyTimes-- > 0)
            {
                HttpResponseMessage busy = new(HttpStatusCode.ServiceUnavailable);
                busy.Headers.RetryAfter = new(TimeSpan.FromSeconds(RetryAfter));
                return Task.FromResult(busy);
            }

            string query = Uri.UnescapeDataString(request.RequestUri!.Query);
            DateTimeOffset from = Value(query, "ge");
            DateTimeOffset to = Value(query, "lt");
            int page = query.Split("_page=") is [_, var number] ? int.Parse(number, CultureInfo.InvariantCulture) : 0;
            (DateTimeOffset Changed, int Index)[] found = [.. changed.Select((at, i) => (at, i)).Where(c => c.at >= from && c.at < to)];
            JsonObject bundle = new() { ["resourceType"] = "Bundle", ["type"] = "searchset" };
            if (counts)
            {
                bundle["total"] = found.Length;
            }

            bundle["entry"] = new JsonArray(
                [.. found.Skip(page * 100).Take(100).Select(f => new JsonObject { ["resource"] = new JsonObject { ["resourceType"] = "Observation", ["id"] = $"o{f.Index}" }, ["search"] = new JsonObject { ["mode"] = "match" } })]);
            if ((page + 1) * 100 < found.Length)
            {
                string self = query.Split("&_page=")[0];
                bundle["link"] = new JsonArray(new JsonObject { ["relation"] = "next", ["url"] = $"{LinksTo}Observation{self}&_page={page + 1}" });
            }

            return Task.FromResult(new HttpResponseMessage(HttpStatusCode.OK) { Content = new StringContent(bundle.ToJsonString(), Encoding.UTF8, "application/fhir+json") });
        }

        private static DateTimeOffset Value(string query, string prefix) =>
            DateTimeOffset.Parse(query.Split($"_lastUpdated={prefix}")[1].Split('&')[0], CultureInfo.InvariantCulture);
    }
}
