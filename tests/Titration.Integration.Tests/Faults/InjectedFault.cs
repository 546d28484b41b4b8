namespace Titration.Integration.Tests.Faults;

/// <summary>What can go wrong.</summary>
internal enum FaultKind
{
    // One request to the FHIR server; it does not get there, or the server does not carry it out.
    RequestLost,
    RequestLate,
    NoAnswer,
    TooBusy,
    NotNow,
    ServerError,
    AnswerOfSomethingElse,
    Conflict,
    Refused,

    // One request to the FHIR server; it carries it out, and that does not get known.
    AnswerLost,
    AnswerNever,
    ErrorAfterCommit,
    AnswerCutShort,
    AnswerEmpty,

    // All of the FHIR server.
    ServerAway,

    // The broker.
    BrokerCut,
    BrokerHeld,
    BrokerAway,
    BrokerRestart,

    // The database.
    BackendsKilled,
    DatabaseCut,
    DatabaseHeld,
    DatabaseAway,
    CommitLost,
    CommitUnanswered,
    TableLocked,
    PatientsLocked,
    Deadlock,
    SerializationFailure,
    DiskFull,
    DatabaseKilled,

    // A worker.
    WorkerKilled,
}

/// <summary>A fault of the plan.</summary>
/// <param name="Kind">What goes wrong.</param>
/// <param name="Pause">Real time that passes before it, milliseconds.</param>
/// <param name="Length">How long it lasts, milliseconds, where it lasts.</param>
/// <param name="Which">Chooses among what it can hit, such as the worker.</param>
internal sealed record InjectedFault(FaultKind Kind, int Pause, int Length, int Which)
{
    public bool IsOfARequest => Kind <= FaultKind.AnswerEmpty;
}

/// <summary>Draws faults: the same seed draws the same ones. At most one in ten kills a process.</summary>
internal static class FaultPlan
{
    // Out of 1,000. Faults of requests are many, as the FHIR server is what is asked most and least under anybody's control here.
    private static readonly (FaultKind Kind, int Weight)[] Weights =
    [
        (FaultKind.RequestLost, 60), (FaultKind.RequestLate, 25), (FaultKind.NoAnswer, 25), (FaultKind.TooBusy, 55), (FaultKind.NotNow, 40),
        (FaultKind.ServerError, 70), (FaultKind.AnswerOfSomethingElse, 45), (FaultKind.Conflict, 50), (FaultKind.Refused, 40),
        (FaultKind.AnswerLost, 85), (FaultKind.AnswerNever, 30), (FaultKind.ErrorAfterCommit, 60), (FaultKind.AnswerCutShort, 45), (FaultKind.AnswerEmpty, 35),
        (FaultKind.ServerAway, 20),
        (FaultKind.BrokerCut, 25), (FaultKind.BrokerHeld, 20), (FaultKind.BrokerAway, 10), (FaultKind.BrokerRestart, 3),
        (FaultKind.BackendsKilled, 45), (FaultKind.DatabaseCut, 20), (FaultKind.DatabaseHeld, 20), (FaultKind.DatabaseAway, 15),
        (FaultKind.CommitLost, 25), (FaultKind.CommitUnanswered, 25), (FaultKind.TableLocked, 15), (FaultKind.PatientsLocked, 15),
        (FaultKind.Deadlock, 15), (FaultKind.SerializationFailure, 15), (FaultKind.DiskFull, 17),
        (FaultKind.WorkerKilled, 30),
    ];

    public static IReadOnlyList<InjectedFault> Draw(int count, int seed) => Draw(count, seed, Weights);

    /// <summary>Only what may be asked of a database whose process is killed as well.</summary>
    public static IReadOnlyList<InjectedFault> DrawForTheDatabase(int count, int seed) => Draw(
        count, seed,
        [(FaultKind.DatabaseKilled, 100), (FaultKind.BackendsKilled, 250), (FaultKind.CommitLost, 200), (FaultKind.CommitUnanswered, 250), (FaultKind.AnswerLost, 200)]);

    private static List<InjectedFault> Draw(int count, int seed, (FaultKind Kind, int Weight)[] weights)
    {
        Random chance = new(seed);
        int all = weights.Sum(w => w.Weight);
        List<InjectedFault> plan = [];
        while (plan.Count < count)
        {
            int left = chance.Next(all);
            FaultKind kind = weights.First(w => (left -= w.Weight) < 0).Kind;
            // One in ten at most, also where few are drawn: drawn again.
            if (kind is FaultKind.WorkerKilled or FaultKind.DatabaseKilled && plan.Count(f => f.Kind == kind) >= Math.Max(1, (plan.Count + 1) / 10))
            {
                continue;
            }

            plan.Add(new InjectedFault(kind, chance.Next(20, 250), chance.Next(100, 700), chance.Next(1 << 20)));
        }

        return plan;
    }
}
