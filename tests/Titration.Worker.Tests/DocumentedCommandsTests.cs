using System.Net;
using System.Net.Sockets;
using System.Security.Cryptography;
using Titration.TestKit;
using Xunit;

namespace Titration.Worker.Tests;

/// <summary>
/// Every command that a page shows in a block fenced as <c>console</c> does what the page says: the pages that need nothing but the program. Those that need servers are run in
/// Titration.Integration.Tests.
/// </summary>
public sealed class DocumentedCommandsTests : IDisposable
{
    private readonly TemporaryFolder _folder = new();

    private static CancellationToken Cancelled => TestContext.Current.CancellationToken;

    public void Dispose() => _folder.Dispose();

    [Fact]
    public async Task Whoever_has_nothing_but_the_program_can_try_it_and_verify_its_record()
    {
        Directory.CreateSymbolicLink(_folder.File("docs"), Repository.File("docs"));
        string port = $"{FreePort()}";
        await using DocumentedCommands commands = new(
            _folder.Path,
            new Dictionary<string, string>(StringComparer.Ordinal) { ["Titration__Health__Port"] = port },
            ("dotnet run --project src/Titration.Worker --", "titration"),
            // Six weeks of six patients are enough for all that the page shows.
            ("demo --data clinic", "demo --data clinic --days 42 --patients 6"),
            ("localhost:8088", $"localhost:{port}"),
            ("/your/copy/checkpoints", "clinic/checkpoints"),
            // Found or fetched the way test.sh does it.
            ("node docs/", $"\"$(cd '{Repository.Root}' && . tests/services/lib.sh && find_node)\" docs/"));

        await commands.RunAsync(PagesWithCommands.OnEmbeddedParts.Take(1), Cancelled);

        // The clinic hands its public key to the auditor.
        using ECDsa clinic = ECDsa.Create();
        clinic.ImportFromPem(await File.ReadAllTextAsync(_folder.File("clinic/ledger-key.pem"), Cancelled));
        await File.WriteAllTextAsync(_folder.File("clinic-public.pem"), clinic.ExportSubjectPublicKeyInfoPem(), Cancelled);
        await commands.RunAsync(PagesWithCommands.OnEmbeddedParts.Skip(1), Cancelled);
    }

    [Theory]
    [InlineData("$ titration --version # exit code 1")]
    [InlineData("$ titration --version\nnever said")]
    [InlineData("$ titration nonsense")]
    [InlineData("$ bash test.sh --nonsense")]
    [InlineData("$ dotnet ef migrations add NAME --project src/Titration.Storage --context NoContext --output-dir Migrations/Sqlite")]
    public async Task A_page_that_says_what_is_not_so_is_found_out(string block)
    {
        await using DocumentedCommands commands = new(_folder.Path, new Dictionary<string, string>(StringComparer.Ordinal));

        InvalidOperationException problem = await Assert.ThrowsAsync<InvalidOperationException>(() => commands.RunAsync($"# Page\n\n```console\n{block}\n```\n", Cancelled));

        Assert.StartsWith("line 4: ", problem.Message, StringComparison.Ordinal);
    }

    private static int FreePort()
    {
        using TcpListener listener = new(IPAddress.Loopback, 0);
        listener.Start();
        return ((IPEndPoint)listener.LocalEndpoint).Port;
    }
}
