using System.Collections.Concurrent;
using System.Diagnostics;

namespace Titration.TestKit;

/// <summary>What a command said, and how it ended.</summary>
public sealed record CommandOutput(int ExitCode, string Output, string Errors);

/// <summary>The built executable as a process of its own, in a folder of its own: what a user has.</summary>
public sealed class TitrationProcess : IAsyncDisposable
{
    /// <summary>The name of the executable.</summary>
    public const string Executable = "titration";

    private readonly Process _process;
    private readonly ConcurrentQueue<string> _lines = new();

    private TitrationProcess(Process process)
    {
        _process = process;
        process.OutputDataReceived += (_, line) => Keep(line.Data);
        process.ErrorDataReceived += (_, line) => Keep(line.Data);
    }

    /// <summary>What it has said so far.</summary>
    public string Output => string.Join('\n', _lines);

    /// <summary>The operating system's number of the process.</summary>
    public int Id => _process.Id;

    public bool HasExited => _process.HasExited;

    /// <summary>Starts the executable and leaves it running.</summary>
    /// <param name="folder">The working folder.</param>
    /// <param name="settings">
    /// Environment variables beside those of the tests, and settings by their names in the configuration. Settings of the tests' own process are not passed on.
    /// </param>
    /// <param name="arguments">The command line.</param>
    public static TitrationProcess Start(string folder, IReadOnlyDictionary<string, string> settings, params string[] arguments) =>
        StartProgram(Executable, folder, settings, arguments);

    /// <summary>Starts another program, by its path or one that was built beside the tests, and leaves it running.</summary>
    public static TitrationProcess StartProgram(string program, string folder, IReadOnlyDictionary<string, string> settings, params string[] arguments)
    {
        Process process = new() { StartInfo = StartInfo(program, folder, settings, arguments) };
        TitrationProcess started = new(process);
        process.Start();
        process.StandardInput.Close();
        process.BeginOutputReadLine();
        process.BeginErrorReadLine();
        return started;
    }

    /// <summary>Runs a command to its end.</summary>
    /// <param name="folder">The working folder.</param>
    /// <param name="input">Standard input; null: empty.</param>
    /// <param name="settings">As for <see cref="Start"/>.</param>
    /// <param name="arguments">The command line.</param>
    /// <param name="cancellationToken">Kills it.</param>
    public static async Task<CommandOutput> RunAsync(
        string folder, byte[]? input, IReadOnlyDictionary<string, string> settings, string[] arguments, CancellationToken cancellationToken)
    {
        using Process process = new() { StartInfo = StartInfo(Executable, folder, settings, arguments) };
        process.Start();
        await using CancellationTokenRegistration killed = cancellationToken.Register(() => process.Kill(entireProcessTree: true));
        Task<string> output = process.StandardOutput.ReadToEndAsync(CancellationToken.None);
        Task<string> errors = process.StandardError.ReadToEndAsync(CancellationToken.None);
        if (input is not null)
        {
            await process.StandardInput.BaseStream.WriteAsync(input, cancellationToken);
        }

        process.StandardInput.Close();
        await process.WaitForExitAsync(CancellationToken.None);
        return new CommandOutput(process.ExitCode, await output, await errors);
    }

    /// <summary>Waits for a line that starts like this and returns the rest of it.</summary>
    public async Task<string> LineAsync(string start, CancellationToken cancellationToken)
    {
        string? line = await Eventually.BecomesAsync(
            $"a line \"{start}\" from the service",
            () => Task.FromResult(_lines.FirstOrDefault(l => l.TrimStart().StartsWith(start, StringComparison.Ordinal)) ?? (HasExited ? $"ended: {Output}" : null)),
            l => l is not null, cancellationToken);
        return line!.TrimStart().StartsWith(start, StringComparison.Ordinal)
            ? line.TrimStart()[start.Length..].Trim()
            : throw new InvalidOperationException($"The service {line}");
    }

    /// <summary>SIGTERM, as a service manager stops it.</summary>
    /// <param name="within">How long it may take.</param>
    /// <returns>Its exit code.</returns>
    /// <exception cref="TimeoutException">It takes longer.</exception>
    public async Task<int> StopAsync(TimeSpan within)
    {
        using Process kill = Process.Start("kill", ["-TERM", $"{_process.Id}"]);
        await kill.WaitForExitAsync();
        using CancellationTokenSource patience = new(within);
        try
        {
            await _process.WaitForExitAsync(patience.Token);
        }
        catch (OperationCanceledException tooLong)
        {
            throw new TimeoutException($"The service has not ended within {within}: {Output}", tooLong);
        }

        return _process.ExitCode;
    }

    /// <summary>SIGKILL: no handler runs, nothing is flushed.</summary>
    public async Task KillAsync()
    {
        _process.Kill();
        await _process.WaitForExitAsync();
    }

    public async ValueTask DisposeAsync()
    {
        if (!HasExited)
        {
            await KillAsync();
        }

        _process.Dispose();
    }

    private void Keep(string? line)
    {
        if (line is not null)
        {
            _lines.Enqueue(line);
        }
    }

    private static ProcessStartInfo StartInfo(string program, string folder, IReadOnlyDictionary<string, string> settings, string[] arguments)
    {
        ProcessStartInfo start = new(Path.Combine(AppContext.BaseDirectory, program), arguments)
        {
            WorkingDirectory = folder,
            UseShellExecute = false,
            RedirectStandardInput = true,
            RedirectStandardOutput = true,
            RedirectStandardError = true,
        };
        foreach (string name in start.Environment.Keys.Where(k => k.StartsWith("Titration__", StringComparison.OrdinalIgnoreCase)).ToArray())
        {
            start.Environment.Remove(name);
        }

        foreach ((string name, string value) in settings)
        {
            start.Environment[name.Replace(":", "__", StringComparison.Ordinal)] = value;
        }

        return start;
    }
}
