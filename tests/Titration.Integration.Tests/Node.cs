using System.Diagnostics;
using Titration.TestKit;

namespace Titration.Integration.Tests;

/// <summary>Runs what the tests have in Node: programs that share no code with the service.</summary>
internal static class Node
{
    /// <summary>Runs a script below <c>tests/</c>, with its packages as its lock file says, and returns its exit code and what it said.</summary>
    public static async Task<(int ExitCode, string Output)> RunAsync(string folder, string script, CancellationToken cancellationToken, params IEnumerable<string> arguments)
    {
        // Found or fetched the way test.sh does it, so that both have the same.
        string prepare = """
            . tests/services/lib.sh
            node=$(find_node) && npm_ci "$node" "tests/$1" && printf '%s' "$node"
            """;
        (int code, string node, string problem) = await ExecuteAsync("bash", ["-c", prepare, "node", folder], cancellationToken);
        if (code != 0)
        {
            throw new InvalidOperationException($"Node and the packages of tests/{folder} could not be had: {problem}");
        }

        (code, string output, string errors) = await ExecuteAsync(node, [Repository.File("tests", folder, script), .. arguments], cancellationToken);
        return (code, output + errors);
    }

    /// <summary>Runs a script that needs no packages.</summary>
    public static async Task<(int ExitCode, string Output)> RunFileAsync(string script, CancellationToken cancellationToken, params IEnumerable<string> arguments)
    {
        (_, string node, _) = await ExecuteAsync("bash", ["-c", ". tests/services/lib.sh && printf '%s' \"$(find_node)\""], cancellationToken);
        (int code, string output, string errors) = await ExecuteAsync(node, [script, .. arguments], cancellationToken);
        return (code, output + errors);
    }

    /// <summary>Runs a program in the repository's root.</summary>
    public static async Task<(int ExitCode, string Output, string Errors)> ExecuteAsync(
        string program, IEnumerable<string> arguments, CancellationToken cancellationToken, params (string Name, string Value)[] environment)
    {
        ProcessStartInfo start = new(program, arguments)
        {
            WorkingDirectory = Repository.Root,
            UseShellExecute = false,
            RedirectStandardOutput = true,
            RedirectStandardError = true,
        };
        foreach ((string name, string value) in environment)
        {
            start.Environment[name] = value;
        }

        using Process process = Process.Start(start)!;
        Task<string> output = process.StandardOutput.ReadToEndAsync(cancellationToken);
        Task<string> errors = process.StandardError.ReadToEndAsync(cancellationToken);
        await process.WaitForExitAsync(cancellationToken);
        return (process.ExitCode, await output, await errors);
    }
}
