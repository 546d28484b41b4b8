using MassTransit;
using MassTransit.Middleware;
using Titration.Worker.Telemetry;

namespace Titration.Worker.Hosting;

/// <summary>What goes into the error queue beside a message: that and where it failed. The exception's message may quote the patient's data and stays out.</summary>
public sealed class ErrorHeaders : IFilter<ExceptionReceiveContext>
{
    public static void Configure(IReceiveEndpointConfigurator endpoint) => endpoint.ConfigureError(error =>
    {
        error.UseFilter(new ErrorHeaders());
        error.UseFilter(new ErrorTransportFilter());
    });

    /// <inheritdoc/>
    public async Task Send(ExceptionReceiveContext context, IPipe<ExceptionReceiveContext> next)
    {
        if (!context.IsFaulted)
        {
            // Else what could not even be taken out of its envelope would count as skipped as well, and lie in both queues.
            await context.NotifyFaulted(context.Exception);
        }

        SafeException safe = new(context.Exception);
        context.ExceptionHeaders.Set(MessageHeaders.FaultMessage, safe.Message);
        context.ExceptionHeaders.Set(MessageHeaders.FaultStackTrace, safe.StackTrace ?? "");
        await next.Send(context);
    }

    /// <inheritdoc/>
    public void Probe(ProbeContext context) => context.CreateFilterScope("error-queue");
}
