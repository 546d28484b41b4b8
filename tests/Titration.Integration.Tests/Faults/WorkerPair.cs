using System.Collections.Concurrent;
using Titration.TestKit;

namespace Titration.Integration.Tests.Faults;

/// <summary>Two workers, each a process of its own.</summary>
internal sealed class WorkerPair : IAsyncDisposable
{
    private const int Count = 2;

    private readonly string _folder = Directory.CreateTempSubdirectory("titration-pair-").FullName;
    private readonly IReadOnlyDictionary<string, string> _settings;
    private readonly string[] _command;
    private readonly TitrationProcess[] _workers = new TitrationProcess[Count];
    private readonly ConcurrentQueue<string> _said = new();

    private WorkerPair(IReadOnlyDictionary<string, string> settings, string[] command)
    {
        _settings = settings;
        _command = command;
    }

    /// <summary>All that they have said, those that were killed included.</summary>
    public string Output => string.Join("\n", _said.Concat(_workers.Select(w => w.Output)));

    /// <param name="settings">Settings by their names in the configuration.</param>
    /// <param name="command">The program beside the tests, and its arguments.</param>
    /// <param name="cancellationToken">Ends the wait.</param>
    public static async Task<WorkerPair> StartAsync(IReadOnlyDictionary<string, string> settings, string[] command, CancellationToken cancellationToken)
    {
        WorkerPair pair = new(settings, command);
        for (int i = 0; i < Count; i++)
        {
            pair._workers[i] = pair.Start();
        }

        foreach (TitrationProcess worker in pair._workers)
        {
            await worker.LineAsync("titration is running", cancellationToken);
        }

        return pair;
    }

    /// <summary>SIGKILL; it is started again at once, and nobody waits until it is there.</summary>
    public async Task KillAsync(int which)
    {
        TitrationProcess victim = _workers[which % Count];
        Task dead = victim.KillAsync();
        // Before anything is waited for: the next strike may come meanwhile, and is one at its successor.
        _workers[which % Count] = Start();
        await dead;
        _said.Enqueue(victim.Output);
        await victim.DisposeAsync();
    }

    /// <summary>One that ended by itself has failed.</summary>
    public void RequireAlive()
    {
        if (Array.Find(_workers, w => w.HasExited) is { } dead)
        {
            throw new InvalidOperationException($"A worker has ended by itself: {dead.Output}");
        }
    }

    public async ValueTask DisposeAsync()
    {
        foreach (TitrationProcess worker in _workers.Where(w => w is not null))
        {
            await worker.DisposeAsync();
        }

        Directory.Delete(_folder, recursive: true);
    }

    private TitrationProcess Start() => TitrationProcess.StartProgram(_command[0], _folder, _settings, _command[1..]);
}
