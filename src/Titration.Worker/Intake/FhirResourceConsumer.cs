using System.Collections.Immutable;
using MassTransit;
using Titration.Worker.Hosting;
using Titration.Worker.Telemetry;

namespace Titration.Worker.Intake;

/// <summary>A message as it came: plain FHIR JSON, no envelope of ours.</summary>
/// <param name="Body">The bytes of a resource or a Bundle.</param>
/// <param name="TraceParent">The producer's W3C traceparent; null where it sent none.</param>
/// <param name="Source"><c>queue</c> or <c>http</c>.</param>
public sealed record FhirResourceReceived(byte[] Body, string? TraceParent, string Source);

/// <summary>The answer to whoever waits for one.</summary>
public sealed record FhirResourceTakenIn(ImmutableArray<IntakeResult> Results);

/// <summary>Hands a message to the intake; it is acknowledged when the transaction has been committed.</summary>
public sealed class FhirResourceConsumer(IntakeHandler intake) : IConsumer<FhirResourceReceived>
{
    public async Task Consume(ConsumeContext<FhirResourceReceived> context)
    {
        FhirResourceReceived message = context.Message;
        ImmutableArray<IntakeResult> results;
        try
        {
            results = await intake.HandleAsync(message.Body, message.Source, message.TraceParent, alongside: null, context.CancellationToken);
        }
        catch (Exception defect) when (defect is not OperationCanceledException && !Infrastructure.IsTrouble(defect))
        {
            // The bus puts the message of an exception into spans, logs and headers, and this one may quote what was read.
            throw new SafeException(defect);
        }

        if (context.RequestId is not null)
        {
            await context.RespondAsync(new FhirResourceTakenIn(results));
        }
    }
}
