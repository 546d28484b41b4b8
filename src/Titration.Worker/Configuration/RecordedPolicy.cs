using System.Collections.Immutable;
using System.Text;
using System.Text.Json;
using Titration.Protocol.Courses;
using Titration.Protocol.Definitions;
using Titration.Protocol.Facts;
using Titration.Storage.Ledger;
using Titration.Storage.Model;

namespace Titration.Worker.Configuration;

/// <summary>What of a recorded policy an evaluation needs.</summary>
public sealed record RecordedPolicy(ProtocolDefinition Protocol, TimeZoneInfo Zone, Following Follow)
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
        byte[]? follow = parts.FirstOrDefault(p => p.Name == ClinicPolicy.FollowPart)?.Bytes;
        Following? following = follow is null ? Following.All : EnumCode.Parse<Following>(Encoding.UTF8.GetString(follow));
        try
        {
            return protocol is not null && following is not null && zone is not null && TimeZoneInfo.TryFindSystemTimeZoneById(Encoding.UTF8.GetString(zone), out TimeZoneInfo? found)
                ? new RecordedPolicy(ProtocolJson.Parse(protocol), found, following.Value)
                : null;
        }
        catch (JsonException)
        {
            return null;
        }
    }
}
