using System.Collections.Frozen;
using System.Collections.Immutable;
using Npgsql;
using Titration.Storage;
using Titration.Storage.Ledger;
using Titration.Worker.Configuration;
using Titration.Worker.Deciding;
using Titration.Worker.Hosting;

namespace Titration.Worker.Intake;

/// <summary>
/// Takes sorted messages in, those that are ready at the same time in one transaction. A message that comes while others are being committed waits for them, and then
/// goes with all that came meanwhile: alone and at once where little comes, in large groups where much does, since a commit costs nearly the same for one and for many.
/// </summary>
public sealed class IntakeCommit(PatientDecisions decisions, Settings settings)
{
    private const int Largest = 64;

    /// <summary>Transactions at a time: one is decided while others wait for the database and its disk.</summary>
    private const int AtOnce = 3;

    private readonly Lock _lock = new();
    private readonly Queue<Member> _waiting = new();
    private int _running;

    /// <summary>Returns once it is committed. One that cannot be taken in fails by itself; the others of its group are taken in without it.</summary>
    internal async Task TakeInAsync(SortedMessage message, CancellationToken cancellationToken)
    {
        Member member = new(message, new TaskCompletionSource(TaskCreationOptions.RunContinuationsAsynchronously));
        lock (_lock)
        {
            _waiting.Enqueue(member);
            if (_running < AtOnce)
            {
                _running++;
                // The group is not the work of whoever happens to begin it: it is in nobody's trace.
                using AsyncFlowControl _ = ExecutionContext.SuppressFlow();
                Task.Run(TakeInWaitingAsync, CancellationToken.None);
            }
        }

        // What is given up here may still be committed: it comes again then, and changes nothing.
        await member.Done.Task.WaitAsync(cancellationToken);
    }

    private async Task TakeInWaitingAsync()
    {
        while (Next() is { IsEmpty: false } group)
        {
            try
            {
                await CommitAsync(group);
            }
            catch (Exception problem) when (group.Length > 1 && !IsAway(problem))
            {
                foreach (Member member in group)
                {
                    await CommitAloneAsync(member);
                }
            }
            catch (Exception problem)
            {
                foreach (Member member in group)
                {
                    member.Done.SetException(problem);
                }
            }
        }
    }

    private ImmutableArray<Member> Next()
    {
        lock (_lock)
        {
            ImmutableArray<Member>.Builder group = ImmutableArray.CreateBuilder<Member>();
            while (group.Count < Largest && _waiting.TryDequeue(out Member? member))
            {
                group.Add(member);
            }

            _running -= group.Count == 0 ? 1 : 0;
            return group.DrainToImmutable();
        }
    }

    private async Task CommitAloneAsync(Member member)
    {
        try
        {
            await CommitAsync([member]);
        }
        catch (Exception problem)
        {
            member.Done.SetException(problem);
        }
    }

    private async Task CommitAsync(ImmutableArray<Member> group)
    {
        ImmutableArray<SortedMessage> messages = [.. group.Select(m => m.Message)];
        await decisions.TakeInAsync(AdmitAsync, KeepAsync, CancellationToken.None);
        foreach (Member member in group)
        {
            member.Done.SetResult();
        }

        async Task<IReadOnlyCollection<ReceivedFact>> AdmitAsync(TitrationDbContext database)
        {
            FrozenSet<string> erased = await ErasedAmongAsync(database, [.. messages.SelectMany(m => m.Patients).Distinct(StringComparer.Ordinal)]);
            foreach (SortedMessage message in messages)
            {
                message.LeaveOut(erased);
            }

            return [.. messages.SelectMany(m => m.Facts)];
        }

        async Task KeepAsync(TitrationDbContext database)
        {
            foreach (SortedMessage message in messages)
            {
                await message.KeepAsync(database);
            }
        }
    }

    /// <summary>Those of the patients who were erased; until the transaction ends no other is.</summary>
    private async Task<FrozenSet<string>> ErasedAmongAsync(TitrationDbContext database, IReadOnlyCollection<string> patients)
    {
        PatientMarks? marks = settings.Marks;
        (string Patient, byte[] Mark)[] sought = marks is null ? [] : [.. patients.Select(p => (p, marks.OfErased(p)))];
        ImmutableArray<byte[]> erased = await database.ErasedAmongAsync([.. sought.Select(s => s.Mark)], marks?.OfKey, CancellationToken.None);
        return sought.Where(s => erased.Any(e => e.AsSpan().SequenceEqual(s.Mark))).Select(s => s.Patient).ToFrozenSet(StringComparer.Ordinal);
    }

    /// <summary>The database cannot be reached: trying each by itself would take a long wait for each.</summary>
    private static bool IsAway(Exception problem) => Infrastructure.IsTroubleOfDatabaseServer(problem) && problem.GetBaseException() is not PostgresException;

    private sealed record Member(SortedMessage Message, TaskCompletionSource Done);
}
