using System.Diagnostics;
using System.Text;

namespace Titration.TestKit;

/// <summary>A command of a page, with what the page shows of its output.</summary>
/// <param name="Line">Where it stands.</param>
/// <param name="Text">The command; several lines where they end in a backslash.</param>
/// <param name="Shown">Each line that the page shows; all of them must be in the output.</param>
/// <param name="ExitCode">The one that it must end with; a page says <c># exit code 1</c> after the command where it is not 0.</param>
public sealed record DocumentedCommand(int Line, string Text, IReadOnlyList<string> Shown, int ExitCode)
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

    /// <summary>Without what a table is drawn with: only words, and one blank between them.</summary>
    internal static string Plain(string text) => string.Join(' ', text.Split([' ', '\t', '\r', '\n', '│', '─'], StringSplitOptions.RemoveEmptyEntries));
}

/// <summary>
/// Runs the commands of a page one after the other, as a reader would: in bash, with the built <c>titration</c> on the path, and with what was exported before. A
/// command that ends in <c>&amp;</c> is started and left running until the end.
/// </summary>
/// <param name="folder">The working folder.</param>
/// <param name="settings">Environment variables beside those of the page.</param>
/// <param name="inPlaceOf">What stands in the place of the page's own addresses; longest first.</param>
public sealed class DocumentedCommands(string folder, IReadOnlyDictionary<string, string> settings, params (string Shown, string Real)[] inPlaceOf) : IAsyncDisposable
{
    private readonly Dictionary<string, string> _environment = new(settings, StringComparer.Ordinal);
    private readonly List<TitrationProcess> _running = [];

    /// <summary>Runs them all.</summary>
    /// <exception cref="InvalidOperationException">One does not end, or say, what the page shows; the message has its line.</exception>
    public async Task RunAsync(string markdown, CancellationToken cancellationToken)
    {
        foreach (DocumentedCommand command in DocumentedCommand.Of(markdown))
        {
            await RunAsync(command, cancellationToken);
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
        if (text.StartsWith("titration ", StringComparison.Ordinal) && text.EndsWith('&'))
        {
            TitrationProcess started = TitrationProcess.Start(folder, _environment, text[..^1].Split(' ', StringSplitOptions.RemoveEmptyEntries)[1..]);
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
        string exported = Path.Combine(folder, ".exported");
        ProcessStartInfo start = new("bash", ["-c", $"{text}\ncode=$?; env -0 > '{exported}'; exit $code"])
        {
            WorkingDirectory = folder,
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
        string? missing = command.Shown.FirstOrDefault(s => !plain.Contains(s, StringComparison.Ordinal));
        return process.ExitCode != command.ExitCode ? $"line {command.Line}: {command.Text} ended with {process.ExitCode}: {output}"
            : missing is not null ? $"line {command.Line}: {command.Text} does not say \"{missing}\": {output}"
            : null;
    }
}
