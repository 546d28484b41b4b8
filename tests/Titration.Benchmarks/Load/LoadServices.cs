using System.Diagnostics;
using Titration.TestKit;

namespace Titration.Benchmarks.Load;

/// <summary>
/// RabbitMQ, PostgreSQL with every commit on the disk, and the FHIR endpoint of <c>tests/peer</c>: made by <c>tests/services</c>, for one run; and the program that is measured on them.
/// </summary>
internal sealed class LoadServices : IAsyncDisposable
{
    private readonly string _folder;
    private readonly bool _own;
    private readonly Dictionary<string, string> _addresses;

    private LoadServices(string folder, bool own, string program)
    {
        _folder = folder;
        _own = own;
        Program = program;
        _addresses = File.ReadLines(Path.Combine(folder, "env")).Select(line => line.Split('=', 2)).ToDictionary(p => p[0], p => p[1].Trim('\''), StringComparer.Ordinal);
        // Where the databases of the run are made.
        Environment.SetEnvironmentVariable("TITRATION_TEST_POSTGRES", Postgres);
    }

    public Uri Broker => new(_addresses["TITRATION_TEST_RABBITMQ"]);

    public Uri BrokerManagement => new(_addresses["TITRATION_TEST_RABBITMQ_MGMT"]);

    public string Postgres => _addresses["TITRATION_TEST_POSTGRES"];

    public Uri Fhir => new(_addresses["TITRATION_TEST_FHIR"]);

    /// <summary>The executable of the service.</summary>
    public string Program { get; }

    /// <param name="standing">A folder in which <c>up.sh</c> has started them; null: they are started for this run and ended with it.</param>
    /// <param name="published">A folder into which the service was published; null: as it was built beside the benchmarks.</param>
    /// <param name="cancellationToken">Ends the wait.</param>
    /// <exception cref="InvalidOperationException">They do not stand, or do not start; the service was not published there.</exception>
    public static async Task<LoadServices> StartAsync(string? standing, string? published, CancellationToken cancellationToken)
    {
        string program = Path.GetFullPath(Path.Combine(published ?? AppContext.BaseDirectory, TitrationProcess.Executable));
        if (!File.Exists(program))
        {
            throw new InvalidOperationException($"\"{program}\" is not there; publish the service into that folder: dotnet publish src/Titration.Worker -c Release -r linux-x64 --self-contained -o {published}");
        }

        if (standing is not null)
        {
            return File.Exists(Path.Combine(standing, "env"))
                ? new LoadServices(standing, own: false, program)
                : throw new InvalidOperationException($"no services stand in \"{standing}\"; start them: POSTGRES_DURABLE=1 tests/services/up.sh {standing}");
        }

        string around = Directory.CreateTempSubdirectory("titration-load-").FullName;
        if (!OperatingSystem.IsWindows())
        {
            // The database server runs as a user of its own, who has to get through.
            File.SetUnixFileMode(around, File.GetUnixFileMode(around) | UnixFileMode.OtherExecute);
        }

        string folder = Path.Combine(around, "services");
        Progress.Say("services: RabbitMQ, PostgreSQL and the FHIR endpoint start");
        await RunAsync("up.sh", folder, cancellationToken);
        return new LoadServices(folder, own: true, program);
    }

    public async ValueTask DisposeAsync()
    {
        if (_own)
        {
            await RunAsync("down.sh", _folder, CancellationToken.None);
            Directory.Delete(Path.GetDirectoryName(_folder)!, recursive: true);
        }
    }

    private static async Task RunAsync(string script, string folder, CancellationToken cancellationToken)
    {
        // What the script leaves running must not hold on to a pipe of ours: its output goes into a file.
        string log = $"{folder}.log";
        using Process process = new()
        {
            StartInfo = new ProcessStartInfo("bash", ["-c", "exec \"$0\" \"$1\" >> \"$2\" 2>&1", Repository.File("tests", "services", script), folder, log])
            {
                Environment = { ["POSTGRES_DURABLE"] = "1" },
            },
        };
        process.Start();
        await process.WaitForExitAsync(cancellationToken);
        if (process.ExitCode != 0)
        {
            throw new InvalidOperationException($"{script} ended with {process.ExitCode}: {await File.ReadAllTextAsync(log, cancellationToken)}");
        }
    }
}
