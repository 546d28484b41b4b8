using System.Collections.Concurrent;
using System.Diagnostics.Metrics;
using System.Net;
using Microsoft.AspNetCore.Builder;
using Microsoft.AspNetCore.Hosting;
using Microsoft.AspNetCore.Http;
using Microsoft.EntityFrameworkCore;
using Microsoft.Extensions.DependencyInjection;
using Microsoft.Extensions.Logging;
using Titration.Protocol.Decisions;
using Titration.Storage.Delivery;
using Titration.Storage.Ledger;
using Titration.TestKit;
using Titration.TestKit.Builders;
using Titration.Worker.Hosting;
using Titration.Worker.Telemetry;
using Xunit;

namespace Titration.Worker.Tests.Telemetry;

/// <summary>The gauges, and the alarm for emergency messages that do not leave.</summary>
public sealed class WatchTests
{
    private readonly ClinicDays _days = ClinicDays.LongAgo();

    private static CancellationToken Cancelled => TestContext.Current.CancellationToken;

    [Fact]
    public void The_gauges_show_what_was_reported_last()
    {
        using TitrationTelemetry telemetry = new();
        ConcurrentDictionary<string, double> seen = new(StringComparer.Ordinal);
        using MeterListener listener = new()
        {
            InstrumentPublished = (instrument, listener) =>
            {
                // Other tests have meters of the same name in this process.
                if (instrument.Meter.Name == TitrationTelemetry.Name && telemetry.Meter == instrument.Meter)
                {
                    listener.EnableMeasurementEvents(instrument);
                }
            },
        };
        listener.SetMeasurementEventCallback<double>((instrument, value, _, _) => seen[instrument.Name] = value);
        listener.SetMeasurementEventCallback<int>((instrument, value, tags, _) =>
            seen[$"{instrument.Name} {string.Join(' ', tags.ToArray().Select(t => $"{t.Value}"))}"] = value);
        listener.Start();
        listener.RecordObservableInstruments();
        Assert.Empty(seen);

        DateTimeOffset now = _days.At(0);
        telemetry.Report(new Depths(now, 3, new OutboxDepth(9, 2, now.AddSeconds(-40)), 5, 1, now.AddHours(-3), [new CourseCount(Outcome.Maintain, "0.025 %", 7), new CourseCount(null, null, 4)]));
        listener.RecordObservableInstruments();

        Dictionary<string, double> expected = new(StringComparer.Ordinal)
        {
            ["titration.quarantine.held"] = 3,
            ["titration.outbox.unsent"] = 9,
            ["titration.outbox.dead"] = 2,
            ["titration.outbox.oldest.age"] = 40,
            ["titration.outbox.stat.unconfirmed"] = 1,
            ["titration.courses.due"] = 5,
            ["titration.ledger.unexported.age"] = 3 * 60 * 60,
            ["titration.courses Maintain 0.025 %"] = 7,
            ["titration.courses none none"] = 4,
        };
        Assert.Equal(expected.OrderBy(e => e.Key, StringComparer.Ordinal), seen.OrderBy(e => e.Key, StringComparer.Ordinal));
    }

    [Fact]
    public async Task A_checkpoint_that_cannot_leave_the_database_has_an_age_until_it_has()
    {
        using TemporaryFolder folder = new();
        string inTheWay = folder.File("checkpoints");
        await File.WriteAllTextAsync(inTheWay, "", Cancelled);
        ShiftedClock clock = new(_days.At(6));
        await using EmbeddedWorker worker = await EmbeddedWorker.StartAsync(clock, Cancelled, settings: ("Ledger:CheckpointFolder", inTheWay));
        ClinicCheckpoints checkpoints = worker.Services.GetRequiredService<ClinicCheckpoints>();
        Watch watch = worker.Services.GetRequiredService<Watch>();
        await worker.TakeInAsync(Cancelled, _days.Order("p1"));
        Assert.Null((await watch.LookAsync(Cancelled)).UnexportedSince);

        await checkpoints.RunAsync(Cancelled);
        clock.MoveTo(_days.At(7));
        Assert.InRange((await watch.LookAsync(Cancelled)).UnexportedSince!.Value, _days.At(6), _days.At(6, 2));

        File.Delete(inTheWay);
        await checkpoints.RunAsync(Cancelled);
        Assert.Null((await watch.LookAsync(Cancelled)).UnexportedSince);
    }

    [Fact]
    public async Task A_look_counts_what_stands_where()
    {
        ShiftedClock clock = new(_days.At(6));
        await using EmbeddedWorker worker = await EmbeddedWorker.StartAsync(clock, Cancelled);
        await worker.TakeInAsync(Cancelled, _days.Order("p1"), _days.Order("p2"), _days.Swelling("p2", 5));
        using (await worker.PostAsync("junk"u8.ToArray(), Cancelled))
        {
        }

        Watch watch = worker.Services.GetRequiredService<Watch>();
        Depths before = await watch.LookAsync(Cancelled);
        clock.MoveTo(_days.At(8));
        Depths later = await watch.LookAsync(Cancelled);
        await worker.DeliverAsync(Cancelled);
        Depths sent = await watch.LookAsync(Cancelled);

        Assert.Equal((1, 2, 0), (before.Held, before.Courses.Sum(c => c.Count), before.Due));
        Assert.True(before.Outbox.Unsent > 0);
        Assert.Equal(before.Outbox.Unsent, later.Outbox.Unsent);
        Assert.Equal((2, 0, null), (later.Due, sent.Outbox.Unsent, sent.Outbox.OldestUnsent));
    }

    [Fact]
    public async Task An_emergency_message_unconfirmed_for_five_minutes_is_told_once_to_log_and_webhook_without_the_patient()
    {
        ConcurrentQueue<string> posted = new();
        int refuse = 1;
        WebApplicationBuilder builder = WebApplication.CreateSlimBuilder();
        builder.Logging.ClearProviders();
        builder.WebHost.ConfigureKestrel(kestrel => kestrel.Listen(IPAddress.Loopback, 0));
        await using WebApplication pager = builder.Build();
        pager.MapPost("/alarm", async (HttpRequest request) =>
        {
            if (Interlocked.Exchange(ref refuse, 0) == 1)
            {
                return Results.StatusCode(503);
            }

            using StreamReader reader = new(request.Body);
            posted.Enqueue(await reader.ReadToEndAsync());
            return Results.Ok();
        });
        await pager.StartAsync(Cancelled);
        ShiftedClock clock = new(_days.At(6));
        await using EmbeddedWorker worker = await EmbeddedWorker.StartAsync(clock, Cancelled, settings: ("Alerts:Webhook", $"{pager.Urls.First()}/alarm"));
        ListLogger log = new();
        Watch watch = ActivatorUtilities.CreateInstance<Watch>(worker.Services, log);
        await worker.TakeInAsync(Cancelled, _days.Order("patient-in-need"), Breathless("patient-in-need"));

        Depths fresh = await watch.LookAsync(Cancelled);
        clock.MoveTo(clock.GetUtcNow().AddMinutes(5));
        Depths late = await watch.LookAsync(Cancelled);
        await watch.LookAsync(Cancelled);
        await watch.LookAsync(Cancelled);

        Assert.Equal(0, fresh.UnconfirmedStat);
        Assert.True(late.UnconfirmedStat > 0);
        Assert.Single(log.Lines, l => l.StartsWith("Error 4101", StringComparison.Ordinal));
        Assert.Single(log.Lines, l => l.StartsWith("Error 4102", StringComparison.Ordinal));
        string alarm = Assert.Single(posted);
        Assert.Contains("stat-unconfirmed", alarm, StringComparison.Ordinal);
        Assert.DoesNotContain("patient-in-need", alarm + string.Concat(log.Lines), StringComparison.Ordinal);

        await worker.DeliverAsync(Cancelled);
        Assert.Equal(0, (await watch.LookAsync(Cancelled)).UnconfirmedStat);
    }

    private System.Text.Json.Nodes.JsonObject Breathless(string patient) => FhirJson.Observation(
        "breathing-difficulty", "valueBoolean", true, id: $"breath-{patient}", patient: patient, effective: _days.At(5, 19).ToString("yyyy-MM-ddTHH:mm:ssZ"));

    private sealed class ListLogger : ILogger<Watch>
    {
        public ConcurrentQueue<string> Lines { get; } = new();

        public IDisposable? BeginScope<TState>(TState state) where TState : notnull => null;

        public bool IsEnabled(LogLevel logLevel) => true;

        public void Log<TState>(LogLevel logLevel, EventId eventId, TState state, Exception? exception, Func<TState, Exception?, string> formatter) =>
            Lines.Enqueue($"{logLevel} {eventId.Id} {formatter(state, exception)}");
    }
}
