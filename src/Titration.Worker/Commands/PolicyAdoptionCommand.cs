using System.Collections.Immutable;
using System.CommandLine;
using System.Globalization;
using System.Text.Json;
using Spectre.Console;
using Titration.Storage;
using Titration.Storage.Ledger;
using Titration.Storage.Model;
using Titration.Worker.Configuration;

namespace Titration.Worker.Commands;

/// <summary><c>titration protocol adopt</c> and <c>titration protocol adopted</c>.</summary>
internal static class PolicyAdoptionCommand
{
    public static Command Adopt()
    {
        Option<string?> effective = new("--effective")
        {
            Description = "From when on decisions are made by it, such as 2026-03-02T08:00:00+01:00; not in the past. Default: now.",
            HelpName = "INSTANT",
        };
        Command command = new("adopt", """
            Adopts the clinic's policy as the settings name it: protocol, mapping, wording, time zone and whom it follows, as one. From then on a worker with
            other files decides nothing and is not ready. Steps in force stay, nothing that was decided is judged again. Works on the database alone.
            """)
        { effective };
        command.SetAction((parsed, cancellationToken) =>
        {
            if (CommandSettings.LoadPolicy() is not { } policy)
            {
                return Task.FromResult(ExitCode.Usage);
            }

            DateTimeOffset now = TimeProvider.System.GetUtcNow();
            DateTimeOffset from = now;
            if (parsed.GetValue(effective) is { } text
                && !DateTimeOffset.TryParse(text, CultureInfo.InvariantCulture, DateTimeStyles.AssumeUniversal, out from))
            {
                return Task.FromResult(Records.Refuse($"--effective: \"{text}\" is no instant, such as 2026-03-02T08:00:00+01:00"));
            }

            return from < now
                ? Task.FromResult(Records.Refuse($"--effective: {from:yyyy-MM-ddTHH:mm:sszzz} has passed; what was decided stands"))
                : Records.UseAsync((database, _) => AdoptAsync(database, policy, from.ToUniversalTime(), now, cancellationToken), cancellationToken);
        });
        return command;
    }

    public static Command Adopted()
    {
        Option<bool> json = new("--json") { Description = "For programs." };
        Command command = new("adopted", "Lists which policy was adopted from when on.") { json };
        command.SetAction((parsed, cancellationToken) => Records.UseAsync(
            (database, _) => ListAsync(database, parsed.GetValue(json), cancellationToken), cancellationToken));
        return command;
    }

    private static async Task<int> AdoptAsync(
        TitrationDbContext database, ClinicPolicy policy, DateTimeOffset from, DateTimeOffset now, CancellationToken cancellationToken)
    {
        string hash = await database.RecordPolicyAsync(policy.Parts, now, cancellationToken);
        PolicyAdoptionRow? before = (await database.AdoptedAsync(cancellationToken)).InForce(from);
        if (before?.PolicyHash == hash)
        {
            Console.WriteLine($"Policy {hash[..12]} ({policy.Protocol.Name} {policy.Protocol.Version}) is in force then already.");
            return ExitCode.Done;
        }

        await PolicyAdoption.AdoptAsync(database, policy, before, from, now, cancellationToken);
        Console.WriteLine(
            $"Policy {hash[..12]} ({policy.Protocol.Name} {policy.Protocol.Version}) is in force from {from:yyyy-MM-dd HH:mm:ss'Z'}{(before is null ? "" : $", in place of {before.PolicyHash[..12]}")}.");
        return ExitCode.Done;
    }

    private static async Task<int> ListAsync(TitrationDbContext database, bool json, CancellationToken cancellationToken)
    {
        ImmutableArray<PolicyAdoptionRow> adoptions = (await database.AdoptedAsync(cancellationToken)).InOrder;
        if (json)
        {
            Console.WriteLine(JsonSerializer.Serialize(adoptions.Select(a => new { policy = a.PolicyHash, a.EffectiveFrom, a.AdoptedAt }), Records.Json));
            return ExitCode.Done;
        }

        Table table = new Table().Border(TableBorder.Simple).AddColumns("effective from", "policy", "adopted");
        foreach (PolicyAdoptionRow adoption in adoptions)
        {
            table.AddRow(
                new Text(adoption.EffectiveFrom.ToString("yyyy-MM-dd HH:mm'Z'", null)), new Text(adoption.PolicyHash[..12]), new Text(adoption.AdoptedAt.ToString("yyyy-MM-dd HH:mm'Z'", null)));
        }

        Records.Write(table);
        return ExitCode.Done;
    }
}
