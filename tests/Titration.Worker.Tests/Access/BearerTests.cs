using Titration.TestKit;
using Xunit;

namespace Titration.Worker.Tests.Access;

/// <summary>A token out of a file, and what may not leave for another address or come back without bound.</summary>
public sealed class BearerTests : IDisposable
{
    private readonly TemporaryFolder _folder = new();

    private static CancellationToken Cancelled => TestContext.Current.CancellationToken;

    public void Dispose() => _folder.Dispose();

    [Fact]
    public async Task The_token_in_the_file_is_sent_and_a_new_one_as_soon_as_it_is_there()
    {
        await using TokenServer server = await TokenServer.StartAsync(Cancelled);
        server.Accept("first");
        server.Accept("second");
        await using Reaching service = With(server, "first\n");

        Assert.Equal("held", await service.ReadAsync(Cancelled));
        await File.WriteAllTextAsync(Token, "second", Cancelled);
        Assert.Equal("held", await service.ReadAsync(Cancelled));

        Assert.Equal(["first", "second"], server.Served);
    }

    [Fact]
    public async Task A_401_with_the_same_token_still_in_the_file_is_not_tried_again()
    {
        await using TokenServer server = await TokenServer.StartAsync(Cancelled);
        await using Reaching service = With(server, "unknown");

        Assert.Equal("http-401", await service.ReadAsync(Cancelled));

        Assert.Equal(["unknown"], server.Served);
    }

    [Theory]
    [InlineData("")]
    [InlineData("two words")]
    public async Task A_file_that_holds_no_token_any_more_sends_nothing(string content)
    {
        await using TokenServer server = await TokenServer.StartAsync(Cancelled);
        await using Reaching service = With(server, "first");
        await File.WriteAllTextAsync(Token, content, Cancelled);

        Assert.Equal("token-file-content", await service.ReadAsync(Cancelled));
        File.Delete(Token);
        Assert.Equal("token-file-unreadable", await service.ReadAsync(Cancelled));

        Assert.Empty(server.Served);
    }

    [Fact]
    public async Task A_redirection_is_not_followed()
    {
        await using TokenServer elsewhere = await TokenServer.StartAsync(Cancelled);
        await using TokenServer server = await TokenServer.StartAsync(Cancelled);
        server.Accept("first");
        server.Advertised = $"{elsewhere.Fhir}/Patient/p1";
        await using Reaching service = With(server, "first");

        Assert.Equal("http-307", await service.ReadAsync(Cancelled, "elsewhere"));

        Assert.Single(server.Served);
        Assert.Empty(elsewhere.Served);
    }

    [Fact]
    public async Task An_answer_over_10_MiB_is_not_read_to_its_end()
    {
        await using TokenServer server = await TokenServer.StartAsync(Cancelled);
        server.Accept("first");
        await using Reaching service = With(server, "first");

        Assert.Equal("answer-too-large", await service.ReadAsync(Cancelled, "endless"));
    }

    private string Token => _folder.File("token");

    private Reaching With(TokenServer server, string token)
    {
        File.WriteAllText(Token, token);
        return Reaching.With(TimeProvider.System, _folder.Path, server.Fhir, ("FhirServer:Auth", "bearer"), ("FhirServer:TokenFile", Token));
    }
}
