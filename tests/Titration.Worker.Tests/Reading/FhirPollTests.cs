using Microsoft.EntityFrameworkCore;
using Microsoft.Extensions.DependencyInjection;
using Titration.Protocol.Decisions;
using Titration.Storage;
using Titration.TestKit;
using Titration.TestKit.Builders;
using Titration.Worker.Reading;
using Xunit;

namespace Titration.Worker.Tests.Reading;

/// <summary>A FHIR server that tells nobody of its changes is looked at again and again.</summary>
public sealed class FhirPollTests
{
    private readonly ClinicDays _days = ClinicDays.LongAgo();

    private static CancellationToken Cancelled => TestContext.Current.CancellationToken;

    [Fact]
    public async Task What_changes_is_taken_in_once_and_what_says_nothing_of_a_titration_any_more_is_taken_back()
    {
        ShiftedClock clock = new(_days.At(5));
        await using EmbeddedWorker worker = await EmbeddedWorker.StartAsync(clock, Cancelled);
        FhirPoll poll = worker.Services.GetRequiredService<FhirPoll>();
        await worker.PutAsync(FhirJson.Patient("long-ago"), Cancelled);
        await worker.PutAsync(_days.Order("long-ago"), Cancelled);
        clock.MoveTo(_days.At(6));
        await poll.RunAsync(Cancelled);
        // It looks at changes: what was there is for the backfill.
        Assert.Equal((0, 0), await CountAsync(worker));

        await worker.PutAsync(FhirJson.Patient("polled"), Cancelled);
        await worker.PutAsync(_days.Order("polled"), Cancelled);
        await worker.PutAsync(_days.Swelling("polled", 5), Cancelled);
        clock.MoveTo(_days.At(6, 1));
        await poll.RunAsync(Cancelled);
        (int Facts, int Decisions) after = await CountAsync(worker);
        await poll.RunAsync(Cancelled);

        Assert.Equal((3, 1), after);
        Assert.Equal(after, await CountAsync(worker));
        Assert.Equal(Outcome.Discontinue, await OutcomeAsync(worker));

        // The nurse had taken the wrong line of the list: it was a body weight.
        await worker.PutAsync(_days.Swelling("polled", 5).With(o => o["code"] = FhirJson.Concept("http://loinc.org", "29463-7")), Cancelled);
        clock.MoveTo(_days.At(6, 2));
        await poll.RunAsync(Cancelled);

        Assert.NotEqual(Outcome.Discontinue, await OutcomeAsync(worker));
    }

    [Fact]
    public async Task It_goes_on_where_the_backfill_has_ended()
    {
        ShiftedClock clock = new(_days.At(5));
        await using EmbeddedWorker worker = await EmbeddedWorker.StartAsync(clock, Cancelled);
        await using (ServiceProvider parts = Hosting.TitrationHost.BuildParts(worker.Settings with { Options = Titrating(worker) }, clock))
        {
            await parts.GetRequiredService<Backfill>().ApplyAsync(
                new BackfillRequest(null, 50, 1), new ReadingFigures(), new BackfillProgress(null, TextWriter.Null, clock), Cancelled);
        }

        clock.MoveTo(_days.At(5, 6));
        await worker.PutAsync(FhirJson.Patient("between"), Cancelled);
        await worker.PutAsync(_days.Order("between"), Cancelled);
        clock.MoveTo(_days.At(9));
        await worker.Services.GetRequiredService<FhirPoll>().RunAsync(Cancelled);

        Assert.Equal((2, 1), await CountAsync(worker));
    }

    // The same database, and the embedded endpoint where it really listens.
    private static Configuration.TitrationOptions Titrating(EmbeddedWorker worker) => new()
    {
        DataFolder = worker.Settings.Options.DataFolder,
        FhirServer = new Configuration.FhirServerOptions { BaseUrl = $"{worker.Http.BaseAddress}fhir" },
    };

    private static async Task<(int Facts, int Decisions)> CountAsync(EmbeddedWorker worker)
    {
        await using TitrationDbContext database = await worker.OpenAsync(Cancelled);
        return (await database.Facts.CountAsync(Cancelled), await database.Decisions.CountAsync(Cancelled));
    }

    private static async Task<Outcome?> OutcomeAsync(EmbeddedWorker worker)
    {
        await using TitrationDbContext database = await worker.OpenAsync(Cancelled);
        return (await database.Courses.SingleAsync(Cancelled)).Outcome;
    }
}
