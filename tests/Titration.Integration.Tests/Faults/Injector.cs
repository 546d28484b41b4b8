using System.Collections.Concurrent;

namespace Titration.Integration.Tests.Faults;

/// <summary>Lets the faults of a plan strike, and counts those that have.</summary>
internal sealed class Injector(
    TcpProxy broker, TcpProxy database, FhirProxy fhir, DatabaseFaults session, WorkerPair workers, PrivateService rabbit, PrivateService postgres)
{
    private static readonly byte[] Commit = "COMMIT"u8.ToArray();
    private static readonly string[] Tables = ["outbox", "fact", "communication", "patient"];

    private readonly ConcurrentDictionary<FaultKind, int> _struck = [];
    private Task _restarted = Task.CompletedTask;

    /// <summary>Faults that have struck, by kind.</summary>
    public IReadOnlyDictionary<FaultKind, int> Injected => _struck.Concat(fhir.Injected).ToDictionary();

    /// <summary>Faults that still wait for something to strike.</summary>
    public async Task<int> ArmedAsync(CancellationToken cancellationToken) => fhir.Armed + await session.ArmedAsync(cancellationToken);

    /// <summary>Lets them strike one after the other, each after its pause; those that last overlap the next ones.</summary>
    public async Task RunAsync(IReadOnlyList<InjectedFault> faults, CancellationToken cancellationToken)
    {
        foreach (InjectedFault fault in faults.Where(f => f.IsOfARequest))
        {
            fhir.Arm(fault);
        }

        List<Task> lasting = [];
        foreach (InjectedFault fault in faults.Where(f => !f.IsOfARequest))
        {
            await Task.Delay(fault.Pause, cancellationToken);
            lasting.Add(StrikeAsync(fault, cancellationToken));
        }

        await Task.WhenAll(lasting);
    }

    private async Task StrikeAsync(InjectedFault fault, CancellationToken cancellationToken)
    {
        TimeSpan time = TimeSpan.FromMilliseconds(fault.Length);
        try
        {
            await (fault.Kind switch
            {
                FaultKind.ServerAway => fhir.AwayAsync(time, cancellationToken),
                FaultKind.BrokerCut => Task.FromResult(broker.Cut()),
                FaultKind.BrokerHeld => broker.HoldAsync(time, cancellationToken),
                FaultKind.BrokerAway => broker.RefuseAsync(time, cancellationToken),
                FaultKind.BrokerRestart => _restarted = RestartAsync(rabbit, _restarted, cancellationToken),
                FaultKind.BackendsKilled => session.KillBackendsAsync(1 + (fault.Which % 4), cancellationToken),
                FaultKind.DatabaseCut => Task.FromResult(database.Cut()),
                FaultKind.DatabaseHeld => database.HoldAsync(time, cancellationToken),
                FaultKind.DatabaseAway => database.RefuseAsync(time, cancellationToken),
                FaultKind.CommitLost => database.CutAtAsync(Commit, afterAnswer: false).WaitAsync(TimeSpan.FromSeconds(20), cancellationToken),
                FaultKind.CommitUnanswered => database.CutAtAsync(Commit, afterAnswer: true).WaitAsync(TimeSpan.FromSeconds(20), cancellationToken),
                FaultKind.TableLocked => session.LockTableAsync(Tables[fault.Which % Tables.Length], time, cancellationToken),
                FaultKind.PatientsLocked => session.LockPatientsAsync(time, cancellationToken),
                FaultKind.Deadlock => session.FailNextWriteAsync("40P01", cancellationToken),
                FaultKind.SerializationFailure => session.FailNextWriteAsync("40001", cancellationToken),
                FaultKind.DiskFull => session.FailNextWriteAsync("53100", cancellationToken),
                FaultKind.DatabaseKilled => _restarted = RestartAsync(postgres, _restarted, cancellationToken),
                FaultKind.WorkerKilled => workers.KillAsync(fault.Which),
                _ => throw new InvalidOperationException($"{fault.Kind} is a fault of a request."),
            });
        }
        catch (Npgsql.NpgsqlException)
        {
            // The session that was to do harm has been harmed itself: by a deadlock with a worker, or by the death of the server. That was harm as well.
        }

        _struck.AddOrUpdate(fault.Kind, 1, (_, n) => n + 1);
    }

    /// <summary>SIGKILL, and up again; one at a time.</summary>
    private static async Task RestartAsync(PrivateService service, Task before, CancellationToken cancellationToken)
    {
        await before;
        await service.KillAsync(cancellationToken);
        await service.StartAsync(cancellationToken);
    }
}
