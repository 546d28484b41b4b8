using System.Net;
using Titration.TestKit;
using Titration.TestKit.Builders;
using Xunit;

namespace Titration.Worker.Tests.Pages;

/// <summary>The page that says how the service stands.</summary>
public sealed class StatusPageTests
{
    private readonly ClinicDays _days = ClinicDays.LongAgo();

    private static CancellationToken Cancelled => TestContext.Current.CancellationToken;

    [Fact]
    public async Task It_says_how_the_service_stands_and_names_no_patient()
    {
        await using EmbeddedWorker worker = await EmbeddedWorker.StartAsync(new ShiftedClock(_days.At(6)), Cancelled);
        await worker.TakeInAsync(Cancelled, _days.Order("patient-of-the-page"), _days.Swelling("patient-of-the-page", 5));
        using HttpResponseMessage refused = await worker.PostAsync("{}"u8.ToArray(), Cancelled);

        string page = await worker.Http.GetStringAsync(new Uri("status", UriKind.Relative), Cancelled);

        Assert.Contains("stop-finding", page, StringComparison.Ordinal);
        Assert.Contains("2 stat, 0 urgent, 0 routine", page, StringComparison.Ordinal);
        Assert.Contains("alternate nights, 0.25&#xA0;g", page, StringComparison.Ordinal);
        Assert.Contains("<dt>Quarantine</dt><dd>1", page, StringComparison.Ordinal);
        Assert.Contains(worker.Settings.Policy.Hash, page, StringComparison.Ordinal);
        Assert.DoesNotContain("patient-of-the-page", page, StringComparison.Ordinal);
    }

    [Fact]
    public async Task It_allows_no_script_nothing_from_elsewhere_and_no_frame_around_it()
    {
        await using EmbeddedWorker worker = await EmbeddedWorker.StartAsync(new ShiftedClock(_days.At(6)), Cancelled);

        using HttpResponseMessage response = await worker.Http.GetAsync(new Uri("status", UriKind.Relative), Cancelled);

        string policy = Assert.Single(response.Headers.GetValues("Content-Security-Policy"));
        Assert.StartsWith("default-src 'none'; style-src 'sha256-", policy, StringComparison.Ordinal);
        Assert.EndsWith("frame-ancestors 'none'", policy, StringComparison.Ordinal);
        Assert.Equal("no-store", response.Headers.CacheControl!.ToString());
    }

    [Theory]
    [InlineData("X-Forwarded-For", "192.0.2.7")]
    [InlineData("Forwarded", "for=192.0.2.7")]
    [InlineData("Host", "somewhere.example.org")]
    public async Task What_was_passed_on_or_was_meant_for_another_name_gets_no_page(string header, string value)
    {
        await using EmbeddedWorker worker = await EmbeddedWorker.StartAsync(new ShiftedClock(_days.At(6)), Cancelled);
        using HttpRequestMessage request = new(HttpMethod.Get, new Uri("status", UriKind.Relative));
        request.Headers.Add(header, value);

        using HttpResponseMessage response = await worker.Http.SendAsync(request, Cancelled);

        Assert.Equal(HttpStatusCode.NotFound, response.StatusCode);
    }
}
