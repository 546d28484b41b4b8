using Hl7.Fhir.Model;
using Titration.Fhir.Writing;
using Titration.Worker.Configuration;

namespace Titration.Worker.Delivery;

/// <summary>
/// The service's own Device: it stands on the server before anything refers to it, in the version that runs. Written where it is missing or says
/// otherwise, once in the life of a process.
/// </summary>
public sealed class ServiceDevice(Settings settings, FhirServerClient server, ServerStatement statement)
{
    private static readonly string ApplicationVersion = typeof(ServiceDevice).Assembly.GetName().Version!.ToString(3);

    private volatile ClinicIdentity? _stands;

    /// <returns>The clinic, with the id that the Device has on the server; or what stood in the way.</returns>
    public async Task<(ClinicIdentity? Clinic, ServerAnswer? Trouble)> EnsureAsync(CancellationToken cancellationToken)
    {
        if (_stands is { } stands)
        {
            return (stands, null);
        }

        (ServerAbilities? abilities, ServerAnswer? trouble) = await statement.GetAsync(cancellationToken);
        if (abilities is null)
        {
            return (null, trouble);
        }

        OutgoingResource device = DeviceWriter.Write(settings.Clinic, settings.Policy.Identity, ApplicationVersion);
        ServerAnswer answer = abilities.WritingOf("Device", "identifier") switch
        {
            OwnIdWriting.UpdateAsCreate => await PutAsync(device, cancellationToken),
            OwnIdWriting.ConditionalCreate => await CreateAsync((Device)device.Resource, cancellationToken),
        };
        if (answer is not ServerAnswer.Held held)
        {
            return (null, answer);
        }

        _stands = settings.Clinic with { DeviceId = held.Id };
        return (_stands, null);
    }

    private async Task<ServerAnswer> PutAsync(OutgoingResource device, CancellationToken cancellationToken)
    {
        ServerAnswer current = await server.ReadAsync("Device", device.PutId!, cancellationToken);
        return IsAsItIs(current, device.Resource) ? current
            : current is ServerAnswer.Held or ServerAnswer.Missing ? await server.PutAsync(device.Resource, device.PutId!, cancellationToken)
            : current;
    }

    /// <summary>Under the id that the server gives; found by the deployment's identifier ever after.</summary>
    private async Task<ServerAnswer> CreateAsync(Device device, CancellationToken cancellationToken)
    {
        Identifier identifier = device.Identifier[0];
        Device created = device.DeepCopy();
        created.Id = null;
        ServerAnswer answer = await server.CreateOnceAsync(
            created, $"identifier={Uri.EscapeDataString($"{identifier.System}|{identifier.Value}")}", cancellationToken);
        if (answer is not ServerAnswer.Held held)
        {
            return answer;
        }

        ServerAnswer current = await server.ReadAsync("Device", held.Id, cancellationToken);
        if (current is not ServerAnswer.Held { VersionId: { } version } || IsAsItIs(current, device))
        {
            return current;
        }

        created.Id = held.Id;
        return await server.UpdateAsync(created, version, cancellationToken);
    }

    private static bool IsAsItIs(ServerAnswer current, DomainResource wanted) =>
        current is ServerAnswer.Held { Resource: Device there }
        && there.Version.Select(v => v.Value).SequenceEqual(((Device)wanted).Version.Select(v => v.Value), StringComparer.Ordinal);
}
