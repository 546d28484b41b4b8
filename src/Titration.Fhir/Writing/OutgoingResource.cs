using System.Text.Json.Serialization;
using Hl7.Fhir.Model;
using Titration.Protocol.Facts;

namespace Titration.Fhir.Writing;

/// <summary>The part a resource plays in a communication; with the stable key it makes the identity.</summary>
[JsonConverter(typeof(JsonStringEnumConverter<OutgoingRole>))]
public enum OutgoingRole
{
    [JsonStringEnumMemberName("detected-issue")] DetectedIssue,
    [JsonStringEnumMemberName("communication-request")] CommunicationRequest,
    [JsonStringEnumMemberName("task")] Task,
    [JsonStringEnumMemberName("flag")] Flag,
    [JsonStringEnumMemberName("provenance")] Provenance,
    [JsonStringEnumMemberName("device")] Device,
}

/// <summary>A resource to send.</summary>
/// <param name="Role">Its part.</param>
/// <param name="Resource">What to send; references to its siblings are placeholders until <see cref="OutgoingReferences.Resolve"/>.</param>
/// <param name="Uuid">Derived from the stable key and the role: the identifier's value, or a PUT's id.</param>
/// <param name="IdentifierToken"><c>system|value</c> for a conditional create; null: PUT by <see cref="PutId"/>.</param>
public sealed record OutgoingResource(OutgoingRole Role, DomainResource Resource, Guid Uuid, string? IdentifierToken)
{
    /// <summary>What siblings refer to it by before it has a server id.</summary>
    public string Placeholder => OutgoingReferences.PlaceholderOf(Uuid);

    /// <summary>The id to PUT, where it is no conditional create.</summary>
    public string? PutId => IdentifierToken is null ? Resource.Id : null;

    /// <summary>The <c>If-None-Exist</c> header's value, percent-encoded; null for a PUT.</summary>
    public string? IfNoneExist => IdentifierToken is null ? null : "identifier=" + Uri.EscapeDataString(IdentifierToken);

    /// <summary>The identity of one resource of a communication.</summary>
    public static Guid UuidOf(Guid key, OutgoingRole role) => DerivedId.Of("resource", key.ToString(), role.Code());

    internal static OutgoingResource Create(OutgoingRole role, DomainResource resource, Guid uuid, string system) =>
        new(role, resource, uuid, $"{system}|{uuid}");

    internal static OutgoingResource Put(OutgoingRole role, DomainResource resource, Guid uuid) => new(role, resource, uuid, null);
}
