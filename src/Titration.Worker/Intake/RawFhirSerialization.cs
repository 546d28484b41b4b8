using System.Net.Mime;
using System.Text;
using MassTransit;
using MassTransit.Serialization;

namespace Titration.Worker.Intake;

/// <summary>
/// Lets plain FHIR JSON from any AMQP client reach the consumer as it is: the body is not parsed here, so that what cannot be read is
/// quarantined by us, with a reason, and not thrown into the error queue.
/// </summary>
/// <remarks>Only ever added as a deserialiser: as a serialiser the publication of faults would loop.</remarks>
public sealed class RawFhirSerializerFactory : ISerializerFactory
{
    /// <summary>What a producer says that a body is.</summary>
    public const string MediaType = "application/fhir+json";

    public ContentType ContentType { get; } = new(MediaType);

    public IMessageSerializer CreateSerializer() => throw new NotSupportedException("Plain FHIR is received, never sent, through the bus.");

    public IMessageDeserializer CreateDeserializer() => new RawFhirDeserializer(ContentType);

    private sealed class RawFhirDeserializer(ContentType contentType) : IMessageDeserializer
    {
        public ContentType ContentType => contentType;

        public void Probe(ProbeContext context) => context.CreateScope("raw-fhir");

        public ConsumeContext Deserialize(ReceiveContext receiveContext) =>
            new BodyConsumeContext(receiveContext, Deserialize(receiveContext.Body, receiveContext.TransportHeaders, receiveContext.InputAddress));

        public SerializerContext Deserialize(MessageBody body, Headers headers, Uri? destinationAddress = null) =>
            new RawFhirContext(body.GetBytes(), TraceParentOf(headers), new RawMessageContext(headers, destinationAddress, RawSerializerOptions.AnyMessageType));

        public MessageBody GetMessageBody(string text) => new StringMessageBody(text);

        // The client hands AMQP headers over as bytes.
        private static string? TraceParentOf(Headers headers) => headers.TryGetHeader("traceparent", out object? value)
            ? value switch { byte[] bytes => Encoding.ASCII.GetString(bytes), _ => value?.ToString() }
            : null;
    }

    private sealed class RawFhirContext(byte[] body, string? traceParent, MessageContext context)
        : BaseSerializerContext(SystemTextJsonMessageSerializer.Instance, context, [MessageUrn.ForTypeString<FhirResourceReceived>()])
    {
        public override bool TryGetMessage<T>(out T? message)
            where T : class
        {
            message = typeof(T) == typeof(FhirResourceReceived) ? (T)(object)new FhirResourceReceived(body, traceParent, "queue") : null;
            return message is not null;
        }

        public override bool TryGetMessage(Type messageType, [System.Diagnostics.CodeAnalysis.NotNullWhen(true)] out object? message)
        {
            message = messageType == typeof(FhirResourceReceived) ? new FhirResourceReceived(body, traceParent, "queue") : null;
            return message is not null;
        }

        public override Dictionary<string, object> ToDictionary<T>(T? message)
            where T : class => [];

        public override IMessageSerializer GetMessageSerializer() => throw Never();

        public override IMessageSerializer GetMessageSerializer<T>(MessageEnvelope envelope, T message) => throw Never();

        public override IMessageSerializer GetMessageSerializer(object message, string[] messageTypes) => throw Never();

        private static NotSupportedException Never() => new("Plain FHIR is received, never sent, through the bus.");
    }
}
