using System.Collections.Immutable;
using Hl7.Fhir.Model;
using Titration.Protocol.Facts;
using Titration.Worker.Delivery;

namespace Titration.Worker.Reading;

/// <summary>How the FHIR server is to send changes.</summary>
/// <param name="Endpoint">Where the service's inbound endpoint is, as the FHIR server reaches it.</param>
/// <param name="Secret">What is shown there; null: nothing.</param>
/// <param name="Topic">Canonical of a SubscriptionTopic of the server's (R4 Subscriptions Backport); null: plain R4 criteria.</param>
/// <param name="Content">With a topic: <c>full-resource</c> or <c>id-only</c>.</param>
internal sealed record SubscriptionRequest(Uri Endpoint, string? Secret, string? Topic, string Content);

/// <summary>The Subscriptions that bring changes to the service: one for each resource type, or one for a topic.</summary>
internal sealed class InboundSubscription(FhirServerClient server, ServerStatement statement)
{
    private const string Backport = "http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition/";

    /// <summary>What plain R4 asks for: every change of these types. What is not of a titration is skipped when it comes.</summary>
    private static readonly ImmutableArray<string> Criteria = ["MedicationRequest?", "Observation?", "Task?", "CommunicationRequest?"];

    /// <summary>The resources, as they are to stand on the server.</summary>
    public static ImmutableArray<Subscription> Of(SubscriptionRequest request) => request.Topic is { } topic
        ? [OfTopic(request, topic)]
        : [.. Criteria.Select(criteria => Plain(request, criteria))];

    /// <summary>Creates what is missing and brings what differs up to date; what stands as it should is left alone.</summary>
    /// <returns>Of each: its criteria, and what was done or what stood in the way.</returns>
    public async Task<ImmutableArray<(string Criteria, ServerAnswer Answer, string Done)>> EnsureAsync(SubscriptionRequest request, CancellationToken cancellationToken)
    {
        (ServerAbilities? abilities, ServerAnswer? trouble) = await statement.GetAsync(cancellationToken);
        ImmutableArray<(string, ServerAnswer, string)>.Builder done = ImmutableArray.CreateBuilder<(string, ServerAnswer, string)>();
        foreach (Subscription subscription in Of(request))
        {
            (ServerAnswer answer, string what) = abilities switch
            {
                null => (trouble!, "not asked"),
                { Types.IsEmpty: false } when abilities.Of("Subscription").Interactions.IsEmpty => (new ServerAnswer.Missing(Gone: false), "not asked"),
                _ when abilities.WritingOf("Subscription", "criteria", "url") == OwnIdWriting.ConditionalCreate => await CreateAsync(subscription, cancellationToken),
                _ => await PutAsync(subscription, cancellationToken),
            };
            done.Add((subscription.Criteria!, answer, what));
        }

        return done.DrainToImmutable();
    }

    private static Subscription Plain(SubscriptionRequest request, string criteria) => new()
    {
        Id = DerivedId.Of("subscription", request.Endpoint.AbsoluteUri, criteria).ToString(),
        Status = Subscription.SubscriptionStatus.Requested,
        Reason = "What the titration service decides by",
        Criteria = criteria,
        Channel = ChannelOf(request),
    };

    private static Subscription OfTopic(SubscriptionRequest request, string topic)
    {
        Subscription subscription = Plain(request, topic);
        subscription.Meta = new Meta { Profile = [$"{Backport}backport-subscription"] };
        subscription.Channel.PayloadElement.AddExtension($"{Backport}backport-payload-content", new Code(request.Content));
        subscription.Channel.AddExtension($"{Backport}backport-heartbeat-period", new UnsignedInt(300));
        return subscription;
    }

    private static Subscription.ChannelComponent ChannelOf(SubscriptionRequest request) => new()
    {
        Type = Subscription.SubscriptionChannelType.RestHook,
        Endpoint = request.Endpoint.AbsoluteUri,
        Payload = "application/fhir+json",
        Header = request.Secret is null ? [] : [$"Authorization: Bearer {request.Secret}"],
    };

    private async Task<(ServerAnswer Answer, string Done)> PutAsync(Subscription wanted, CancellationToken cancellationToken)
    {
        ServerAnswer current = await server.ReadAsync("Subscription", wanted.Id!, cancellationToken);
        return current switch
        {
            ServerAnswer.Held { Resource: Subscription there } when Stands(there, wanted) => (current, $"stands already ({Status(there)})"),
            ServerAnswer.Held => (await server.PutAsync(wanted, wanted.Id!, cancellationToken), "brought up to date"),
            ServerAnswer.Missing => (await server.PutAsync(wanted, wanted.Id!, cancellationToken), "created"),
            _ => (current, "not asked"),
        };
    }

    /// <summary>Where the server chooses the ids: found again by criteria and endpoint.</summary>
    private async Task<(ServerAnswer Answer, string Done)> CreateAsync(Subscription wanted, CancellationToken cancellationToken)
    {
        Subscription created = wanted.DeepCopy();
        created.Id = null;
        ServerAnswer answer = await server.CreateOnceAsync(
            created, $"criteria={Uri.EscapeDataString(wanted.Criteria!)}&url={Uri.EscapeDataString(wanted.Channel!.Endpoint!)}", cancellationToken);
        if (answer is not ServerAnswer.Held held || await server.ReadAsync("Subscription", held.Id, cancellationToken) is not ServerAnswer.Held { Resource: Subscription there, VersionId: { } version })
        {
            return (answer, "created");
        }

        if (Stands(there, wanted))
        {
            return (answer, $"stands ({Status(there)})");
        }

        created.Id = held.Id;
        return (await server.UpdateAsync(created, version, cancellationToken), "brought up to date");
    }

    // The server moves the status on by itself, to active or, where it could not deliver, to error or off.
    private static bool Stands(Subscription there, Subscription wanted) =>
        there.Status is Subscription.SubscriptionStatus.Requested or Subscription.SubscriptionStatus.Active
        && there.Criteria == wanted.Criteria && there.Channel is { } channel && channel.Endpoint == wanted.Channel!.Endpoint && channel.Payload == wanted.Channel.Payload
        && channel.Header.SequenceEqual(wanted.Channel.Header, StringComparer.Ordinal);

    private static string Status(Subscription there) => there.Status == Subscription.SubscriptionStatus.Active ? "active" : "requested: the server has yet to take it up";
}
