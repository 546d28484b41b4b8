using System.Diagnostics;
using Npgsql;

namespace Titration.TestKit;

/// <summary>
/// The PostgreSQL server for tests: the one that TITRATION_TEST_POSTGRES names, else a private one without any port, started from the installed programs
/// and ended with this process. Never for a test of durability: it does not flush.
/// </summary>
public static class PostgresServer
{
    private const string Variable = "TITRATION_TEST_POSTGRES";

    private static readonly Lazy<Task<string>> Started = new(StartAsync);

    /// <summary>A connection string for a role that may make databases and roles.</summary>
    public static Task<string> ConnectionStringAsync(CancellationToken cancellationToken) =>
        Environment.GetEnvironmentVariable(Variable) is { Length: > 0 } configured
            ? Task.FromResult(configured)
            : Started.Value.WaitAsync(cancellationToken);

    private static async Task<string> StartAsync()
    {
        string programs = FindPrograms() ?? throw new InvalidOperationException(
            $"These tests need PostgreSQL. Set {Variable} to a connection string of a server where databases may be made, or install PostgreSQL 15 or later (Debian: postgresql).");
        DirectoryInfo directory = Directory.CreateTempSubdirectory("titration-pg-");
        if (Environment.UserName == "root")
        {
            Run("chown", ["postgres:", directory.FullName]);
        }

        string data = Path.Combine(directory.FullName, "data");
        Run(Path.Combine(programs, "initdb"), ["-D", data, "-U", "postgres", "--auth=trust", "-E", "UTF8", "--locale=C.UTF-8", "--no-sync"], asPostgres: true);
        Process server = StartServer(programs, data, directory);
        AppDomain.CurrentDomain.ProcessExit += (_, _) => Stop(server, directory);
        string connection = new NpgsqlConnectionStringBuilder
        {
            Host = directory.FullName,
            Username = "postgres",
            Database = "postgres",
            MaxPoolSize = 20,
        }.ConnectionString;
        await WaitUntilReadyAsync(server, connection);
        return connection;
    }

    private static string? FindPrograms() =>
        Directory.Exists("/usr/lib/postgresql")
            ? Directory.GetDirectories("/usr/lib/postgresql")
                .Where(d => int.TryParse(Path.GetFileName(d), out int version) && version >= 15 && File.Exists(Path.Combine(d, "bin", "postgres")))
                .OrderByDescending(d => int.Parse(Path.GetFileName(d)))
                .Select(d => Path.Combine(d, "bin"))
                .FirstOrDefault()
            : null;

    // The server gets SIGINT (a fast shutdown) when the thread that started it ends, so that it does not outlive a killed test run.
    // That thread therefore waits for the server.
    private static Process StartServer(string programs, string data, DirectoryInfo directory)
    {
        string[] arguments =
        [
            "-D", data, "-c", "listen_addresses=", "-c", $"unix_socket_directories={directory.FullName}", "-c", "max_connections=200",
            "-c", "fsync=off", "-c", "synchronous_commit=off", "-c", "full_page_writes=off",
            "-c", "log_min_messages=panic",
        ];
        TaskCompletionSource<Process> started = new(TaskCreationOptions.RunContinuationsAsynchronously);
        new Thread(() =>
        {
            try
            {
                Process process = Process.Start(Command(Path.Combine(programs, "postgres"), arguments, asPostgres: true, "--pdeathsig", "INT"))!;
                started.SetResult(process);
                process.WaitForExit();
            }
            catch (Exception exception)
            {
                started.TrySetException(exception);
            }
        })
        { IsBackground = true, Name = "PostgreSQL" }.Start();
        return started.Task.GetAwaiter().GetResult();
    }

    private static async Task WaitUntilReadyAsync(Process server, string connection)
    {
        for (DateTime end = DateTime.UtcNow.AddSeconds(30); ;)
        {
            try
            {
                await using NpgsqlConnection probe = new(connection);
                await probe.OpenAsync();
                return;
            }
            catch (NpgsqlException) when (!server.HasExited && DateTime.UtcNow < end)
            {
                await Task.Delay(50);
            }
        }
    }

    private static void Stop(Process server, DirectoryInfo directory)
    {
        if (!server.HasExited)
        {
            Run("kill", ["-INT", server.Id.ToString()]);
            server.WaitForExit(10_000);
        }

        directory.Delete(recursive: true);
    }

    private static void Run(string program, string[] arguments, bool asPostgres = false)
    {
        ProcessStartInfo command = Command(program, arguments, asPostgres);
        command.RedirectStandardOutput = true;
        command.RedirectStandardError = true;
        using Process process = Process.Start(command)!;
        Task<string> output = process.StandardOutput.ReadToEndAsync();
        string error = process.StandardError.ReadToEnd();
        process.WaitForExit();
        if (process.ExitCode != 0)
        {
            throw new InvalidOperationException($"{Path.GetFileName(program)} failed ({process.ExitCode}): {output.GetAwaiter().GetResult()} {error}");
        }
    }

    // PostgreSQL refuses to run as root.
    private static ProcessStartInfo Command(string program, string[] arguments, bool asPostgres, params string[] options)
    {
        string[] identity = asPostgres && Environment.UserName == "root" ? ["--reuid=postgres", "--regid=postgres", "--init-groups"] : [];
        ProcessStartInfo command = identity.Length + options.Length > 0
            ? new ProcessStartInfo("setpriv", [.. identity, .. options, program, .. arguments])
            : new ProcessStartInfo(program, arguments);
        command.WorkingDirectory = "/";
        return command;
    }
}
