using System.Collections.Immutable;
using System.Net.Security;
using System.Security.Authentication;
using MassTransit;
using RabbitMQ.Client;
using Titration.Worker.Access;
using Titration.Worker.Configuration;
using Titration.Worker.Intake;

namespace Titration.Worker.Hosting;

/// <summary>The inbound queue, on RabbitMQ or in memory.</summary>
public static class Messaging
{
    public const string Queue = "titration.inbound";
    public const string Exchange = "clinic.fhir";

    /// <summary>The highest <c>max_message_size</c> that RabbitMQ can be set to, bytes.</summary>
    private const uint LargestMessageOfAnyBroker = 512 * 1024 * 1024;

    /// <summary>Where a defect's message is put aside; the transport makes it when it is first needed.</summary>
    public const string ErrorQueue = $"{Queue}_error";

    /// <summary>Where a message goes that came in the transport's own envelope and is none of ours; likewise.</summary>
    public const string SkippedQueue = $"{Queue}_skipped";

    /// <summary>Where the broker lays a message aside that it has given up delivering; made at the start, so that it is there when it is needed.</summary>
    public const string UndeliveredQueue = $"{Queue}_undelivered";

    /// <summary>
    /// How often the broker may deliver a message anew. RabbitMQ 4 gives up after 20 where a queue does not say otherwise, and each worker that dies or loses its
    /// connection counts: bad weather must not empty the queue. No limit at all can only be said to RabbitMQ 4; this is none in practice, to any version.
    /// </summary>
    private const int DeliveryLimit = 1_000_000;

    /// <summary>What the queue is declared with. The broker refuses any other declaration of it.</summary>
    public static readonly ImmutableSortedDictionary<string, object?> QueueArguments = ImmutableSortedDictionary<string, object?>.Empty
        .Add("x-queue-type", "quorum")
        .Add("x-delivery-limit", DeliveryLimit)
        .Add("x-dead-letter-exchange", UndeliveredQueue)
        // A message leaves the queue only once it lies in the other.
        .Add("x-dead-letter-strategy", "at-least-once")
        .Add("x-overflow", "reject-publish");

    /// <summary>A worker whose machine is gone without a word is noticed after twice this, and what it held goes to another.</summary>
    private static readonly TimeSpan Heartbeat = TimeSpan.FromSeconds(10);

    /// <summary>The resource types that the queue is bound for.</summary>
    public static readonly ImmutableArray<string> RoutingKeys = ["MedicationRequest", "Observation", "Task", "Patient", "Medication", "CommunicationRequest", "Bundle"];

    public static void Add(IServiceCollection services, Settings settings)
    {
        services.Configure<MassTransitHostOptions>(o =>
        {
            o.WaitUntilStarted = true;
            o.StopTimeout = TimeSpan.FromSeconds(8);
        });
        services.AddMassTransit(bus =>
        {
            // Nothing about a clinic leaves for anybody but the clinic.
            bus.DisableUsageTelemetry();
            bus.AddConsumer<FhirResourceConsumer>();
            if (settings.Options.EmbeddedBroker)
            {
                bus.AddRequestClient<FhirResourceReceived>(new Uri($"queue:{Queue}"), RequestTimeout.After(m: 1));
                bus.UsingInMemory((context, memory) => memory.ReceiveEndpoint(Queue, endpoint => Configure(endpoint, context)));
            }
            else
            {
                bus.UsingRabbitMq((context, rabbit) =>
                {
                    rabbit.Host(new Uri(settings.Options.Broker.Uri), host => ConfigureHost(host, settings));
                    rabbit.ReceiveEndpoint(Queue, endpoint =>
                    {
                        endpoint.SetQuorumQueue();
                        endpoint.BindDeadLetterQueue(UndeliveredQueue, UndeliveredQueue, queue => queue.SetQueueArgument("x-queue-type", "quorum"));
                        foreach ((string argument, object? value) in QueueArguments)
                        {
                            endpoint.SetQueueArgument(argument, value);
                        }

                        endpoint.ConfigureConsumeTopology = false;
                        endpoint.PrefetchCount = (ushort)settings.Options.Broker.Prefetch;
                        foreach (string key in RoutingKeys)
                        {
                            endpoint.Bind(Exchange, exchange =>
                            {
                                exchange.ExchangeType = ExchangeType.Topic;
                                exchange.RoutingKey = key;
                            });
                        }

                        Configure(endpoint, context);
                        // Plain FHIR comes without any envelope: what no other deserialiser knows is ours.
                        endpoint.AddDeserializer(new RawFhirSerializerFactory(), isDefault: true);
                    });
                });
            }
        });
    }

    /// <summary>What the bus would leave open: the certificate of any authority, and a message that breaks the connection.</summary>
    private static void ConfigureHost(IRabbitMqHostConfigurator host, Settings settings)
    {
        // Not the limit: that is the broker's. A message over the client's own would break the connection, come again, and stop the queue for ever.
        host.MaxMessageSize(LargestMessageOfAnyBroker);
        host.Heartbeat(Heartbeat);
        Uri address = new(settings.Options.Broker.Uri);
        if (address.Scheme != "amqps")
        {
            return;
        }

        Tls tls = settings.Security.Broker;
        host.UseSsl(ssl =>
        {
            ssl.ServerName = address.Host;
            // The versions that the operating system allows.
            ssl.Protocol = SslProtocols.None;
            // By itself the bus lets pass what no authority has certified.
            ssl.EnforcePolicyErrors(
                SslPolicyErrors.RemoteCertificateNotAvailable | SslPolicyErrors.RemoteCertificateNameMismatch | SslPolicyErrors.RemoteCertificateChainErrors);
            ssl.CertificateValidationCallback = (_, certificate, chain, errors) => tls.Accepts(certificate, chain, errors);
            ssl.Certificate = tls.Certificate?.Certificate;
        });
    }

    /// <summary>
    /// Trouble with the database is waited out with the message unacknowledged: consumption pauses and nothing drains into the
    /// error queue, where only defects belong.
    /// </summary>
    private static void Configure(IReceiveEndpointConfigurator endpoint, IRegistrationContext context)
    {
        endpoint.PublishFaults = false;
        ErrorHeaders.Configure(endpoint);
        endpoint.UseMessageRetry(retry =>
        {
            retry.Exponential(int.MaxValue, TimeSpan.FromMilliseconds(100), TimeSpan.FromSeconds(30), TimeSpan.FromMilliseconds(200));
            retry.Handle<Exception>(Infrastructure.IsTrouble);
        });
        endpoint.UseMessageRetry(retry =>
        {
            retry.Immediate(2);
            // What an inner retry has given up on, an outer one does not take up again.
            retry.Ignore<Exception>(Infrastructure.IsTrouble);
        });
        endpoint.ConfigureConsumer<FhirResourceConsumer>(context);
    }
}
