using System.Diagnostics;
using System.Globalization;
using Titration.TestKit;

namespace Titration.Benchmarks.Load;

/// <summary>The service as a process of its own: <c>titration run</c>, as a clinic has it.</summary>
internal sealed class ClinicWorker : IAsyncDisposable
{
    /// <summary>Of what a deployment tells the runtime, that which bears on speed. The environment of the benchmarks can say otherwise.</summary>
    private const string CollectorSetting = "DOTNET_GCgen0size";

    private readonly string _folder = Directory.CreateTempSubdirectory("titration-load-worker-").FullName;
    private readonly TitrationProcess _process;

    private ClinicWorker(string program, IReadOnlyDictionary<string, string> settings)
    {
        Dictionary<string, string> environment = settings.ToDictionary(s => s.Key.Replace(":", "__", StringComparison.Ordinal), s => s.Value, StringComparer.Ordinal);
        environment[CollectorSetting] = Environment.GetEnvironmentVariable(CollectorSetting) ?? Deployed(CollectorSetting);
        _process = TitrationProcess.StartProgram(program, _folder, environment, "run");
    }

    /// <summary>What is in memory now, bytes.</summary>
    public long Resident => Memory("VmRSS");

    /// <summary>The most that was in memory since the start, bytes.</summary>
    public long PeakResident => Memory("VmHWM");

    /// <summary>Processor time that it has used since its start: it tells what something costs on a machine that is busy with other things too.</summary>
    public TimeSpan ProcessorTime
    {
        get
        {
            using Process process = Process.GetProcessById(_process.Id);
            return process.TotalProcessorTime;
        }
    }

    public static async Task<ClinicWorker> StartAsync(string program, IReadOnlyDictionary<string, string> settings, CancellationToken cancellationToken)
    {
        ClinicWorker worker = new(program, settings);
        await worker._process.LineAsync("titration is running", cancellationToken);
        return worker;
    }

    /// <summary>Stops it where it stands, so that messages can pile up; it stays warm.</summary>
    public Task PauseAsync() => SignalAsync("STOP");

    public Task GoOnAsync() => SignalAsync("CONT");

    /// <summary>Throws where it has ended by itself.</summary>
    public void RequireAlive()
    {
        if (_process.HasExited)
        {
            throw new InvalidOperationException($"The service has ended by itself: {_process.Output}");
        }
    }

    public async ValueTask DisposeAsync()
    {
        await _process.DisposeAsync();
        Directory.Delete(_folder, recursive: true);
    }

    /// <summary>What a clinic's own installation sets.</summary>
    private static string Deployed(string variable) =>
        File.ReadLines(Repository.File("deploy", "titration.service")).Select(l => l.Split('=', 3)).Single(l => l is ["Environment", var name, _] && name == variable)[2];

    private async Task SignalAsync(string signal)
    {
        using Process kill = Process.Start("kill", [$"-{signal}", $"{_process.Id}"]);
        await kill.WaitForExitAsync();
    }

    private long Memory(string name)
    {
        RequireAlive();
        string line = File.ReadLines($"/proc/{_process.Id}/status").First(l => l.StartsWith(name, StringComparison.Ordinal));
        return 1024 * long.Parse(line.Split((char[])[' ', '\t', ':'], StringSplitOptions.RemoveEmptyEntries)[1], CultureInfo.InvariantCulture);
    }
}
