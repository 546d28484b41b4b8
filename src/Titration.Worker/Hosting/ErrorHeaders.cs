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
    public Task Send(ExceptionReceiveContext context, IPipe<ExceptionReceiveContext> next)
    {
        SafeException safe = new(context.Exception);
        context.ExceptionHeaders.Set(MessageHeaders.FaultMessage, safe.Message);
        context.ExceptionHeaders.Set(MessageHeaders.FaultStackTrace, safe.StackTrace ?? "");
        return next.Send(context);
    }

    /// <inheritdoc/>
    public void Probe(ProbeContext context) => context.CreateFilterScope("error-queue");
}
