using System.Collections.Immutable;
using System.Text;
using System.Text.Json;
using Titration.Protocol.Definitions;
using Titration.Storage.Ledger;
using Titration.Storage.Model;

namespace Titration.Worker.Configuration;

/// <summary>What of a recorded policy an evaluation needs.</summary>
public sealed record RecordedPolicy(ProtocolDefinition Protocol, TimeZoneInfo Zone)
{
    /// <summary>Reads a policy from the record alone; null where it is not what its hash says, or no policy that this version knows.</summary>
    public static RecordedPolicy? Of(PolicyRow row)
    {
        if (!PolicyContent.IsOf(row))
        {
            return null;
        }

        ImmutableArray<PolicyPart> parts = PolicyContent.Read(row.Content);
        byte[]? protocol = parts.FirstOrDefault(p => p.Name == ClinicPolicy.ProtocolPart)?.Bytes;
        byte[]? zone = parts.FirstOrDefault(p => p.Name == ClinicPolicy.TimeZonePart)?.Bytes;
        try
        {
            return protocol is not null && zone is not null && TimeZoneInfo.TryFindSystemTimeZoneById(Encoding.UTF8.GetString(zone), out TimeZoneInfo? found)
                ? new RecordedPolicy(ProtocolJson.Parse(protocol), found)
                : null;
        }
        catch (JsonException)
        {
            return null;
        }
    }
}
