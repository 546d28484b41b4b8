using Hl7.Fhir.Model;
using Titration.Protocol.Facts;

namespace Titration.Fhir.Writing;

/// <summary>This service as the author of what it writes.</summary>
public static class DeviceWriter
{
    /// <summary>PUT by id whenever application or protocol change, so that each version of the Device says what was running.</summary>
    public static OutgoingResource Write(ClinicIdentity clinic, ProtocolIdentity protocol, string applicationVersion)
    {
        Device device = new()
        {
            Id = clinic.DeviceId,
            Text = FhirText.Narrative($"Titration protocol service {applicationVersion}, {protocol.Name} {protocol.Version}"),
            Identifier = [new Identifier(OutgoingCodes.DeploymentNaming, clinic.Deployment)],
            Status = Device.FHIRDeviceStatus.Active,
            DeviceName =
            [
                new Device.DeviceNameComponent { Name = "Titration protocol service", Type = DeviceNameType.UserFriendlyName },
            ],
            Type = new CodeableConcept { Text = "Application software" },
            Version = [VersionOf("application", applicationVersion), VersionOf("protocol", $"{protocol.Name} {protocol.Version}")],
            Owner = new ResourceReference(clinic.Organization),
        };
        return OutgoingResource.Put(OutgoingRole.Device, device, DerivedId.Of("device", clinic.DeviceId));
    }

    private static Device.VersionComponent VersionOf(string part, string version) =>
        new() { Type = new CodeableConcept { Text = part }, Value = version };
}
