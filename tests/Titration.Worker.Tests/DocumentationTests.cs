using System.CommandLine;
using Titration.TestKit;
using Titration.Worker.Commands;
using Xunit;

namespace Titration.Worker.Tests;

/// <summary>
/// What the pages say of commands and of each other. The commands in blocks are run by DocumentedCommandsTests of the integration tests; those within a sentence are held against the
/// program's own options here, and each must be run in a block on some page.
/// </summary>
public sealed class DocumentationTests
{
    /// <summary>How a command of another program begins that is named in a sentence.</summary>
    private static readonly string[] OfOthers =
        ["bash ", "dotnet ", "docker ", "kubectl ", "openssl ", "node ", "npm ", "curl ", "psql ", "pg_dump ", "rabbitmqctl ", "sha256sum ", "TITRATION_", "UPDATE_GOLDEN"];

    /// <summary>Named in a sentence and run nowhere, each with its reason.</summary>
    private static readonly Dictionary<string, string> RunNowhere = new(StringComparer.Ordinal)
    {
        ["dotnet publish src/Titration.Worker -c Release -r linux-x64 --self-contained -o artifacts/publish/titration"] = "deploy/release.sh does the same for a release",
        ["dotnet run --project tests/Titration.Benchmarks -c Release -- load all --published artifacts/publish/titration --json figures.json"] =
            "takes the better part of an hour, and a machine that does nothing else",
        ["node tests/cql/ratio.mjs"] = "takes five minutes, and a machine that does nothing else",
        ["dotnet build"] = "test.sh begins with it",
        ["dotnet format"] = "test.sh does it",
        ["npm ci --ignore-scripts"] = "test.sh does it for the folders of Node before their tests",
        ["openssl dgst"] = "a name, no command",
        ["kubectl port-forward"] = "a name, no command; needs a cluster",
        ["kubectl rollout undo"] = "named as what is not to be done; needs a cluster",
        ["TITRATION_FAULTS=300 TITRATION_FAULT_SEED=N"] = "variables of the runs that the figures are of; test.sh sets them",
        [@"rabbitmqctl set_policy titration '^titration\.inbound$' '{""delivery-limit"":1000000}' --apply-to queues"] = "the broker of the tests is shared; QueueTests set the limit by argument",
    };

    private static readonly string[] Run =
        [.. MarkdownPage.All.SelectMany(p => DocumentedCommand.Of(p.Text)).Select(c => c.Text.Replace("dotnet run --project src/Titration.Worker --", "titration", StringComparison.Ordinal))];

    [Fact]
    public void Every_block_on_a_page_is_either_text_or_commands_that_are_run() =>
        Assert.Equal([], MarkdownPage.All.SelectMany(p => p.Blocks().Where(b => b.Language is not ("console" or "text")).Select(b => $"{p.Path}:{b.Line} is fenced as \"{b.Language}\"")));

    [Fact]
    public void No_page_has_commands_that_no_test_runs() =>
        Assert.Equal(MarkdownPage.All.Where(p => DocumentedCommand.Of(p.Text) is not []).Select(p => p.Path).Order(StringComparer.Ordinal), PagesWithCommands.All.Order(StringComparer.Ordinal));

    [Fact]
    public void Every_command_of_the_program_is_run_on_a_page() =>
        Assert.Equal([], Leaves(CommandLine.Root(), []).Where(leaf => !Run.Any(r => r.Contains($"titration {leaf}", StringComparison.Ordinal))));

    [Fact]
    public void Every_command_of_the_program_that_a_sentence_names_is_one_with_its_options()
    {
        (string Page, string Command)[] named = [.. MarkdownPage.All.SelectMany(p => p.Code.Where(c => c.StartsWith("titration ", StringComparison.Ordinal)).Select(c => (p.Path, c)))];

        Assert.NotEmpty(named);
        Assert.Equal([], named.Select(n => (n.Page, n.Command, Problem: ProblemOf(n.Command))).Where(n => n.Problem is not null));
    }

    [Fact]
    public void A_command_or_an_option_that_does_not_exist_is_seen()
    {
        Assert.Null(ProblemOf("titration course show ID --date DATE"));
        Assert.NotNull(ProblemOf("titration course tell"));
        Assert.NotNull(ProblemOf("titration course show ID --day DATE"));
    }

    [Fact]
    public void Every_command_of_another_program_that_a_sentence_names_is_run_or_has_a_reason_why_not()
    {
        string[] named = [.. MarkdownPage.All.SelectMany(p => p.Code).Where(c => OfOthers.Any(o => c.StartsWith(o, StringComparison.Ordinal)) && c.Contains(' ', StringComparison.Ordinal)).Distinct(StringComparer.Ordinal)];

        Assert.Equal([], named.Where(n => !Run.Any(r => r.Contains(n, StringComparison.Ordinal)) && RunInstead.Of(n) is null && !RunNowhere.ContainsKey(n)));
        Assert.Equal([], RunNowhere.Keys.Except(named, StringComparer.Ordinal));
    }

    [Fact]
    public async Task What_is_looked_at_in_the_place_of_a_command_that_a_sentence_names_is_so()
    {
        using TemporaryFolder folder = new();
        foreach (string command in MarkdownPage.All.SelectMany(p => p.Code).Distinct(StringComparer.Ordinal).Where(c => RunInstead.Of(c) is not null))
        {
            await using DocumentedCommands commands = new(folder.Path, new Dictionary<string, string>(StringComparer.Ordinal));
            await commands.RunAsync($"```console\n$ {command}\n```\n", TestContext.Current.CancellationToken);
        }
    }

    [Fact]
    public void Every_link_leads_to_a_file_and_to_a_heading_in_it()
    {
        string[] broken = [.. MarkdownPage.All.SelectMany(p => p.Links.Where(to => !Leads(p, to)).Select(to => $"{p.Path}: {to}"))];

        Assert.Empty(broken);
    }

    [Fact]
    public void A_link_to_nowhere_is_seen()
    {
        MarkdownPage page = new("docs/a.md", "# A page of `two` words\n\n[a](#a-page-of-two-words) [b](operations.md#alerts) [c](#nowhere) [d](nowhere.md) [e](operations.md#nowhere) `[f](nowhere.md)`\n");

        Assert.Equal(["#nowhere", "nowhere.md", "operations.md#nowhere"], page.Links.Where(to => !Leads(page, to)));
    }

    private static bool Leads(MarkdownPage from, string to)
    {
        string[] parts = to.Split('#', 2);
        string path = parts[0].Length == 0 ? from.Path : Path.GetRelativePath(Repository.Root, Path.Combine(Path.GetDirectoryName(Repository.File(from.Path))!, parts[0])).Replace('\\', '/');
        MarkdownPage? page = path == from.Path ? from : MarkdownPage.All.FirstOrDefault(p => p.Path == path);
        return page is not null
            ? parts.Length == 1 || page.Anchors.Contains(parts[1], StringComparer.Ordinal)
            : parts.Length == 1 && Path.Exists(Repository.File(path));
    }

    private static IEnumerable<string> Leaves(Command command, string[] path) =>
        command.Subcommands.Count == 0
            ? [string.Join(' ', path)]
            : command.Subcommands.SelectMany(c => Leaves(c, [.. path, c.Name]));

    /// <summary>Words after the command's own name stand for arguments; every command has <c>--help</c>.</summary>
    private static string? ProblemOf(string text)
    {
        Command command = CommandLine.Root();
        string[] words = [.. text.Replace("COMMAND", "run", StringComparison.Ordinal).Split(' ', StringSplitOptions.RemoveEmptyEntries).Skip(1).Where(w => w != "--help")];
        int at = 0;
        while (at < words.Length && command.Subcommands.FirstOrDefault(c => c.Name == words[at]) is { } next)
        {
            (command, at) = (next, at + 1);
        }

        if ((at == 0 && words is not []) || (command.Subcommands.Count > 0 && at < words.Length))
        {
            return "no such command";
        }

        string? option = words.Skip(at).FirstOrDefault(w => w.StartsWith("--", StringComparison.Ordinal) && !command.Options.Any(o => o.Name == w));
        return option is null ? null : $"no option {option}";
    }
}
