using System.Diagnostics;
using System.Text;
using System.Text.RegularExpressions;

namespace Titration.TestKit;

/// <summary>A command of a page, with what the page shows of its output.</summary>
/// <param name="Line">Where it stands.</param>
/// <param name="Text">The command; several lines where they end in a backslash.</param>
/// <param name="Shown">Each line that the page shows; all of them must be in the output.</param>
/// <param name="ExitCode">The one that it must end with; a page says <c># exit code 1</c> after the command where it is not 0.</param>
public sealed partial record DocumentedCommand(int Line, string Text, IReadOnlyList<string> Shown, int ExitCode)
{
    /// <summary>The commands of a page: lines that begin with <c>$ </c> in blocks fenced as <c>console</c>.</summary>
    public static IReadOnlyList<DocumentedCommand> Of(string markdown)
    {
        List<DocumentedCommand> commands = [];
        bool isInside = false;
        string[] lines = markdown.Split('\n');
        for (int i = 0; i < lines.Length; i++)
        {
            if (lines[i].StartsWith("```", StringComparison.Ordinal))
            {
                isInside = lines[i] == "```console";
                continue;
            }

            if (!isInside || !lines[i].StartsWith("$ ", StringComparison.Ordinal))
            {
                continue;
            }

            int at = i + 1;
            StringBuilder text = new(lines[i][2..]);
            while (lines[i].EndsWith('\\'))
            {
                text.Append('\n').Append(lines[++i]);
            }

            List<string> shown = [];
            while (!lines[i + 1].StartsWith("$ ", StringComparison.Ordinal) && !lines[i + 1].StartsWith("```", StringComparison.Ordinal))
            {
                shown.Add(lines[++i]);
            }

            string[] parts = text.ToString().Split("# exit code ");
            commands.Add(new DocumentedCommand(at, parts[0].Trim(), [.. shown.Select(Plain).Where(s => s.Length > 0)], parts.Length > 1 ? int.Parse(parts[1]) : 0));
        }

        return commands;
    }

    /// <summary>
    /// Without what a table is drawn with: only words, and one blank between them. A page shows the day on which it was written: in the place of every date, with its
    /// time where there is one, stands the same word.
    /// </summary>
    internal static string Plain(string text) =>
        string.Join(' ', Instant().Replace(text, "DATE").Split([' ', '\t', '\r', '\n', '│', '─', '╭', '╮', '╰', '╯'], StringSplitOptions.RemoveEmptyEntries));

    [GeneratedRegex(@"\b\d{4}-\d\d-\d\d( \d\d:\d\d(:\d\d)?Z?)?", RegexOptions.ExplicitCapture, matchTimeoutMilliseconds: 1000)]
    private static partial Regex Instant();
}

/// <summary>Which test runs the commands of which pages.</summary>
public static class PagesWithCommands
{
    /// <summary>Run in Titration.Worker.Tests.</summary>
    public static readonly IReadOnlyList<string> OnEmbeddedParts = ["README.md", "docs/auditors-guide.md"];

    /// <summary>Run in Titration.Integration.Tests, as those beside a worker.</summary>
    public static readonly IReadOnlyList<string> OnAnEmptyFhirServer = ["docs/connecting.md"];

    /// <summary>The worker has taken something in, set something aside and sent something.</summary>
    public static readonly IReadOnlyList<string> BesideAWorker = ["docs/operations.md"];

    public static IEnumerable<string> All => [.. OnEmbeddedParts, .. OnAnEmptyFhirServer, .. BesideAWorker];
}

/// <summary>A command that no test may run as it stands, and what is run in its place, in the repository's root.</summary>
/// <param name="Begins">How the command begins.</param>
/// <param name="Reason">Why it is not run.</param>
/// <param name="Command">What shows as much of it as can be shown; <c>{0}</c> stands for what follows after <paramref name="Begins"/>, up to <c> -- </c>.</param>
public sealed record RunInstead(string Begins, string Reason, string Command)
{
    public static readonly IReadOnlyList<RunInstead> All =
    [
        new("bash test.sh", "it would run this test again; its options are read before --help", "bash test.sh {0} --help"),
        new("bash deploy/release.sh", "it needs a tag on the commit; without one it says so and ends with 2", "bash -n deploy/release.sh"),
        new("UPDATE_GOLDEN=1 dotnet test --project ", "it writes into the source tree", "test -d {0}"),
        new("dotnet ef migrations add NAME ", "it writes into the source tree; the tool is pinned", "grep -q '\"dotnet-ef\"' .config/dotnet-tools.json && set -- {0} && test -d $2/$6 && grep -rq \"class $4\" $2"),
        new("docker compose up", "a container engine is on few build machines; deploy/check.sh reads the file with compose where that is", "test -f docker-compose.yml"),
        new("node --test", "test.sh runs the same in that folder", "test -f tests/cql/cql.test.mjs"),
    ];

    /// <summary>The one for a command; null where it can be run.</summary>
    public static RunInstead? Of(string command) => All.FirstOrDefault(i => command.StartsWith(i.Begins, StringComparison.Ordinal));

    /// <summary>What is run in the place of the command.</summary>
    public string For(string command) => string.Format(Command, command[Begins.Length..].Split(" -- ")[0].Trim());
}

/// <summary>
/// Runs the commands of a page one after the other, as a reader would: in bash, with the built <c>titration</c> on the path, and with what was exported before. A
/// command that ends in <c>&amp;</c>, and <c>titration run</c>, is started and left running until the end.
/// </summary>
/// <param name="folder">The working folder.</param>
/// <param name="settings">Environment variables beside those of the page.</param>
/// <param name="inPlaceOf">What stands in the place of the page's own addresses; longest first.</param>
public sealed class DocumentedCommands(string folder, IReadOnlyDictionary<string, string> settings, params (string Shown, string Real)[] inPlaceOf) : IAsyncDisposable
{
    private readonly Dictionary<string, string> _environment = new(settings, StringComparer.Ordinal);
    private readonly List<TitrationProcess> _running = [];

    /// <summary>Runs those of pages, one after the other as a reader would go on.</summary>
    public async Task RunAsync(IEnumerable<string> pages, CancellationToken cancellationToken)
    {
        foreach (string page in pages)
        {
            await RunAsync(await File.ReadAllTextAsync(Repository.File(page), cancellationToken), cancellationToken);
        }
    }

    /// <summary>Runs them all, also after one that failed.</summary>
    /// <exception cref="InvalidOperationException">One does not end, or say, what the page shows; the message has its line.</exception>
    public async Task RunAsync(string markdown, CancellationToken cancellationToken)
    {
        List<string> problems = [];
        foreach (DocumentedCommand command in DocumentedCommand.Of(markdown))
        {
            try
            {
                await RunAsync(command, cancellationToken);
            }
            catch (Exception problem) when (problem is InvalidOperationException or TimeoutException)
            {
                problems.Add(problem.Message);
            }
        }

        if (problems is not [])
        {
            throw new InvalidOperationException(string.Join("\n\n", problems));
        }
    }

    public async ValueTask DisposeAsync()
    {
        foreach (TitrationProcess process in _running)
        {
            await process.DisposeAsync();
        }
    }

    private async Task RunAsync(DocumentedCommand command, CancellationToken cancellationToken)
    {
        string text = inPlaceOf.Aggregate(command.Text, (all, place) => all.Replace(place.Shown, place.Real, StringComparison.Ordinal));
        if (text is "titration run" or "titration run &")
        {
            TitrationProcess started = TitrationProcess.Start(folder, _environment, "run");
            _running.Add(started);
            await started.LineAsync(command.Shown[0], cancellationToken);
            return;
        }

        // What another has to do first is asked for again until it is done.
        string? problem = text.StartsWith("curl -s ", StringComparison.Ordinal)
            ? await Eventually.BecomesAsync(command.Text, () => ProblemAsync(command, text, cancellationToken), found => found is null, cancellationToken)
            : await ProblemAsync(command, text, cancellationToken);
        if (problem is not null)
        {
            throw new InvalidOperationException(problem);
        }
    }

    private async Task<string?> ProblemAsync(DocumentedCommand command, string text, CancellationToken cancellationToken)
    {
        RunInstead? instead = RunInstead.Of(text);
        text = instead?.For(text) ?? text;
        string exported = Path.Combine(folder, ".exported");
        ProcessStartInfo start = new("bash", ["-c", $"{text}\ncode=$?; env -0 > '{exported}'; exit $code"])
        {
            WorkingDirectory = instead is null ? folder : Repository.Root,
            UseShellExecute = false,
            RedirectStandardOutput = true,
            RedirectStandardError = true,
            RedirectStandardInput = true,
        };
        foreach (string name in start.Environment.Keys.Where(k => k.StartsWith("Titration__", StringComparison.OrdinalIgnoreCase)).ToArray())
        {
            start.Environment.Remove(name);
        }

        foreach ((string name, string value) in _environment)
        {
            start.Environment[name] = value;
        }

        start.Environment["PATH"] = $"{AppContext.BaseDirectory}:{start.Environment["PATH"]}";
        using Process process = Process.Start(start)!;
        await using CancellationTokenRegistration killed = cancellationToken.Register(() => process.Kill(entireProcessTree: true));
        process.StandardInput.Close();
        Task<string> errors = process.StandardError.ReadToEndAsync(CancellationToken.None);
        string output = await process.StandardOutput.ReadToEndAsync(CancellationToken.None) + await errors;
        await process.WaitForExitAsync(CancellationToken.None);
        foreach (string[] variable in (await File.ReadAllTextAsync(exported, CancellationToken.None)).Split('\0').Select(v => v.Split('=', 2)).Where(v => v.Length == 2 && v[0].StartsWith("Titration__", StringComparison.Ordinal)))
        {
            _environment[variable[0]] = variable[1];
        }

        string plain = DocumentedCommand.Plain(output);
        string? missing = instead is not null ? null : command.Shown.FirstOrDefault(s => !plain.Contains(s, StringComparison.Ordinal));
        string said = output.Length > 8000 ? $"{output[..8000]} …" : output;
        return process.ExitCode != command.ExitCode ? $"line {command.Line}: {command.Text} ended with {process.ExitCode}: {said}"
            : missing is not null ? $"line {command.Line}: {command.Text} does not say \"{missing}\": {said}"
            : null;
    }
}
