using Titration.Storage.Ledger;
using Titration.Storage.Model;
using Titration.Worker.Configuration;

namespace Titration.Worker.Checking;

/// <summary>Which policy the clinic has adopted, and whether the files at hand are that.</summary>
internal static class PolicyCheck
{
    public const string Subject = "adopted policy";

    private const string Files = "protocol, mapping, wording, time zone, whom the clinic follows";

    public static CheckRow Of(PolicyAdoptions adopted, Settings settings, DateTimeOffset now)
    {
        string own = settings.Policy.Hash;
        PolicyAdoptionRow? next = adopted.Next(now);
        string ahead = next is null ? "" : $"; from {At(next)} on {Short(next.PolicyHash)}";
        return adopted.InForce(now) switch
        {
            null when next is null => CheckRow.Ok(Subject, $"none yet: the first start adopts the configured one, {Short(own)}"),
            null => Waiting(next.PolicyHash == own, $"none in force{ahead}"),
            { PolicyHash: var hash } current when hash == own => CheckRow.Ok(Subject, $"{Short(hash)}, the configured one, in force since {At(current)}{ahead}"),
            { } current => Waiting(
                next?.PolicyHash == own || settings.Options.EmbeddedFhirServer, $"{Short(current.PolicyHash)} is in force since {At(current)}; configured is {Short(own)}{ahead}"),
        };
    }

    /// <param name="willFit">Whether the files come into force by themselves: at the instant of their adoption, or, where things are only tried out, with the next start.</param>
    private static CheckRow Waiting(bool willFit, string seen) => willFit
        ? CheckRow.Warning(Subject, seen, "A worker with these files decides nothing until they are in force.")
        : CheckRow.Wrong(Subject, seen, $"Give this worker the adopted files ({Files}); `titration protocol adopted` lists what was adopted. Or have the clinic adopt these: `titration protocol adopt`.");

    private static string Short(string hash) => hash[..12];

    private static string At(PolicyAdoptionRow adoption) => $"{adoption.EffectiveFrom.ToUniversalTime():yyyy-MM-dd HH:mm'Z'}";
}
