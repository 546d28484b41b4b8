using System.Collections.Frozen;
using System.CommandLine;
using System.Text.Json;
using System.Text.RegularExpressions;
using Microsoft.EntityFrameworkCore;
using Npgsql;
using RabbitMQ.Client.Exceptions;
using Titration.Protocol.Facts;
using Titration.Storage;
using Titration.Storage.Ledger;
using Titration.Storage.Model;
using Titration.Worker.Configuration;
using Titration.Worker.Privacy;

namespace Titration.Worker.Commands;

/// <summary><c>titration patient</c>: export, erase.</summary>
internal static partial class PatientCommand
{
    /// <summary>Longer than a lease: what is being sent is done by then, or was given up.</summary>
    private static readonly TimeSpan LongestSending = TimeSpan.FromSeconds(30);

    public static Command Create() => new("patient", """
        What is held of one patient, for requests under data protection law. Works on the database, and on the broker's error queues where there is a
        broker, beside the running service. What stands on the FHIR server is the clinic's own record and stays as it is.
        """)
    { Export(), Erase() };

    private static Argument<string> PatientId() => new("id") { Description = "The patient's logical id on the FHIR server, such as 123 or Patient/123." };

    private static Command Export()
    {
        Argument<string> id = PatientId();
        Option<FileInfo?> output = new("--output") { Description = "The file to write; it must not exist. Default: patient-ID.json in the current folder." };
        Command command = new("export", """
            Writes everything held of a patient to a file, as one JSON document: facts, courses, decisions with their place in the chain, communications,
            outbox, and what could not be read or waits. Only its owner may read the file. The exit code is 1 where nothing is held.
            """)
        { id, output };
        command.SetAction((parsed, cancellationToken) => Records.UseAsync(
            (database, settings) => ExportAsync(database, settings, parsed.GetValue(id)!, parsed.GetValue(output), cancellationToken), cancellationToken));
        return command;
    }

    private static Command Erase()
    {
        Argument<string> id = PatientId();
        Option<bool> dryRun = new("--dry-run") { Description = "Only says what there is." };
        Option<bool> yes = new("--yes") { Description = "Does not ask." };
        Option<bool> json = new("--json") { Description = "For programs; needs --yes or --dry-run." };
        Command command = new("erase", """
            Erases everything held of a patient, for good. The links of the chain of decisions stay and can be verified; an entry at its end says that and when
            its contents were erased. A keyed mark stays (Titration:Privacy:Key), so that a late or repeated message of the patient is recognised and not taken in.
            On PostgreSQL use a role that may erase (deploy/grants.sql), by Titration__Database__ConnectionString. Can be repeated.
            """)
        { id, dryRun, yes, json };
        command.SetAction((parsed, cancellationToken) => Records.UseAsync(
            (database, settings) => EraseAsync(
                database, settings, parsed.GetValue(id)!, new ErasureCall(parsed.GetValue(dryRun), parsed.GetValue(yes), parsed.GetValue(json)), cancellationToken),
            cancellationToken));
        return command;
    }

    private static async Task<int> ExportAsync(
        TitrationDbContext database, RecordSettings settings, string given, FileInfo? output, CancellationToken cancellationToken)
    {
        if (IdOf(given) is not { } patient)
        {
            return Records.Refuse($"\"{given}\" is no id of a FHIR Patient");
        }

        string file = output?.FullName ?? Path.GetFullPath($"patient-{patient}.json");
        if (File.Exists(file))
        {
            return Records.Refuse($"\"{file}\" exists, and is not overwritten; name another with --output");
        }

        return await WithErrorQueuesAsync(settings, async queues =>
        {
            HeldOfPatient held = await database.HeldOfAsync(patient, PatientTelling.Of(patient), cancellationToken);
            FrozenSet<string> names = await database.NamesOfAsync(patient, cancellationToken);
            List<byte[]> bodies = [];
            await SiftAsync(queues, body => Keep(body, bodies, patient, names), cancellationToken);
            if (held.IsNothing && bodies.Count == 0)
            {
                Console.WriteLine($"Nothing is held of {patient}; no file was written.");
                return ExitCode.Found;
            }

            object document = await PatientExport.OfAsync(database, patient, bodies, TimeProvider.System.GetUtcNow(), cancellationToken);
            FileStreamOptions options = new() { Mode = FileMode.CreateNew, Access = FileAccess.Write };
            if (!OperatingSystem.IsWindows())
            {
                options.UnixCreateMode = UnixFileMode.UserRead | UnixFileMode.UserWrite;
            }

            try
            {
                await using FileStream stream = new(file, options);
                await JsonSerializer.SerializeAsync(stream, document, Records.Json, cancellationToken);
            }
            catch (Exception problem) when (problem is IOException or UnauthorizedAccessException)
            {
                return Records.Refuse($"cannot write \"{file}\": {problem.Message}");
            }

            Console.WriteLine($"Wrote {file}.");
            PatientOutput.Write(held, bodies.Count);
            return ExitCode.Done;
        });

        static bool Keep(ReadOnlyMemory<byte> body, List<byte[]> bodies, string patient, FrozenSet<string> names)
        {
            if (PatientTelling.Of(patient, body, names) != Telling.NotOfPatient)
            {
                bodies.Add(body.ToArray());
            }

            return false;
        }
    }

    private static async Task<int> EraseAsync(
        TitrationDbContext database, RecordSettings settings, string given, ErasureCall call, CancellationToken cancellationToken)
    {
        if (IdOf(given) is not { } patient)
        {
            return Records.Refuse($"\"{given}\" is no id of a FHIR Patient");
        }

        if (settings.Marks is not { } marks)
        {
            return Records.Refuse(
                "Titration:Privacy:Key is not set; without it no mark can be left by which later messages of the patient are recognised. Give the same key to every worker first");
        }

        (LedgerKey? key, string? keyProblem) = await ErasureKey.OfAsync(database, settings, cancellationToken);
        if (keyProblem is not null)
        {
            return Records.Refuse(keyProblem);
        }

        if (call is { Json: true, Yes: false, DryRun: false } || (call is { Yes: false, DryRun: false } && Console.IsInputRedirected))
        {
            return Records.Refuse("nobody can be asked here; say --yes, or --dry-run to see what there is");
        }

        return await WithErrorQueuesAsync(settings, async queues =>
        {
            HeldOfPatient held = await database.HeldOfAsync(patient, PatientTelling.Of(patient), cancellationToken);
            if (!call.Json)
            {
                Console.WriteLine($"Held of {patient}:");
                PatientOutput.Write(held, inErrorQueues: null);
                Console.WriteLine(queues is null ? "" : $"The broker's error queues hold {await queues.DepthAsync(cancellationToken)} message(s) of all patients and are read through.");
            }

            if (call.DryRun)
            {
                return Say(call, new { patient, held, erased = false });
            }

            return call.Yes || Confirmed()
                ? await EraseAsync(database, queues, patient, marks, key, call, cancellationToken)
                : Say(call, new { patient, held, erased = false });
        });
    }

    private static async Task<int> EraseAsync(
        TitrationDbContext database, ErrorQueues? queues, string patient, PatientMarks marks, LedgerKey? key, ErasureCall call, CancellationToken cancellationToken)
    {
        await WaitForSendingAsync(database, patient, cancellationToken);
        FrozenSet<string> names = await database.NamesOfAsync(patient, cancellationToken);
        List<ResourceOnServer> onServer = await OnServerAsync(database, patient, cancellationToken);
        HeldOfPatient erased;
        try
        {
            await using var transaction = await database.Database.BeginTransactionAsync(cancellationToken);
            erased = await database.EraseAsync(
                patient, marks.OfErased(patient), marks.OfKey, PatientTelling.Of(patient), TimeProvider.System.GetUtcNow(), key, cancellationToken);
            await transaction.CommitAsync(cancellationToken);
        }
        catch (ErasureKeyException)
        {
            return Records.Refuse($"{ErasureKeyException.Problem}; nothing was erased");
        }
        catch (PostgresException refused) when (refused.SqlState == PostgresErrorCodes.InsufficientPrivilege)
        {
            return Records.Refuse("these credentials may not erase; use a role that was granted titration_eraser (deploy/grants.sql). Nothing was erased");
        }

        // After it: what a worker had in its hands meanwhile lies there by now.
        int inErrorQueues = await SiftAsync(queues, body => PatientTelling.Of(patient, body, names) != Telling.NotOfPatient, cancellationToken);
        if (call.Json)
        {
            return Say(call, new { patient, held = erased, inErrorQueues, erased = true, onFhirServer = onServer });
        }

        Console.WriteLine($"Erased everything held of {patient}. What still comes of the patient is recognised and not taken in.");
        PatientOutput.Write(erased, inErrorQueues);
        PatientOutput.Write(patient, onServer);
        return ExitCode.Done;
    }

    /// <summary>Asks on the terminal.</summary>
    private static bool Confirmed()
    {
        Console.Write("Erase all of it, for good? Type yes: ");
        bool confirmed = Console.ReadLine()?.Trim() == "yes";
        Console.WriteLine(confirmed ? "" : "Nothing was erased.");
        return confirmed;
    }

    private static int Say(ErasureCall call, object result)
    {
        if (call.Json)
        {
            Console.WriteLine(JsonSerializer.Serialize(result, Records.Json));
        }

        return ExitCode.Done;
    }

    /// <summary>What a worker is sending at this moment is done, or given up, before its entry goes: so that it is known what reached the FHIR server.</summary>
    private static async Task WaitForSendingAsync(TitrationDbContext database, string patient, CancellationToken cancellationToken)
    {
        DateTimeOffset end = TimeProvider.System.GetUtcNow() + LongestSending;
        while (TimeProvider.System.GetUtcNow() is var now && now < end
            && await database.Outbox.AnyAsync(o => o.Patient == patient && o.State == OutboxState.Leased && o.LeaseUntil > now, cancellationToken))
        {
            await Task.Delay(TimeSpan.FromMilliseconds(250), cancellationToken);
        }
    }

    private static async Task<List<ResourceOnServer>> OnServerAsync(TitrationDbContext database, string patient, CancellationToken cancellationToken)
    {
        var rows = await (
            from communication in database.Communications.AsNoTracking()
            join resource in database.SentResources.AsNoTracking() on communication.Key equals resource.CommunicationKey
            where communication.Patient == patient
            orderby communication.OpenedAt, resource.Role
            select new { resource.ResourceType, resource.ServerId, communication.Kind, communication.State }).ToListAsync(cancellationToken);
        return [.. rows.Select(r => new ResourceOnServer($"{r.ResourceType}/{r.ServerId}", r.Kind.Code(), r.State is CommunicationState.Standing or CommunicationState.Activated))];
    }

    private static async Task<int> SiftAsync(ErrorQueues? queues, Predicate<ReadOnlyMemory<byte>> remove, CancellationToken cancellationToken)
    {
        int removed = 0;
        foreach (string queue in queues is null ? [] : ErrorQueues.Names)
        {
            removed += await queues!.SiftAsync(queue, remove, cancellationToken);
        }

        return removed;
    }

    /// <summary>Connects to the broker first: half of an erasure would be none. Null where messages travel in memory.</summary>
    private static async Task<int> WithErrorQueuesAsync(RecordSettings settings, Func<ErrorQueues?, Task<int>> work)
    {
        if (settings.Options.EmbeddedBroker)
        {
            return await work(null);
        }

        List<string> problems = [];
        if (SecuritySettings.BrokerOf(settings.Options, problems) is not { } tls)
        {
            problems.ForEach(p => Records.Refuse(p));
            return ExitCode.Usage;
        }

        ErrorQueues queues;
        try
        {
            queues = await ErrorQueues.ConnectAsync(settings.Options.Broker, tls, CancellationToken.None);
        }
        catch (BrokerUnreachableException problem)
        {
            return Records.Refuse($"the broker at {new Uri(settings.Options.Broker.Uri).Host} cannot be used ({(problem.InnerException ?? problem).GetType().Name}); nothing was done");
        }

        await using (queues)
        {
            return await work(queues);
        }
    }

    private static string? IdOf(string given)
    {
        string id = given.StartsWith("Patient/", StringComparison.Ordinal) ? given["Patient/".Length..] : given;
        return Id().IsMatch(id) ? id : null;
    }

    [GeneratedRegex(@"^[A-Za-z0-9.-]{1,64}\z", RegexOptions.ExplicitCapture | RegexOptions.NonBacktracking)]
    private static partial Regex Id();

    private sealed record ErasureCall(bool DryRun, bool Yes, bool Json);
}
