using System.Diagnostics;
using OpenTelemetry;
using OpenTelemetry.Metrics;
using OpenTelemetry.Resources;
using OpenTelemetry.Trace;
using RabbitMQ.Client;
using Titration.Worker.Configuration;

namespace Titration.Worker.Telemetry;

/// <summary>Sends traces, metrics and logs by OTLP where the standard variables (<c>OTEL_EXPORTER_OTLP_ENDPOINT</c>) say where to.</summary>
public static class OpenTelemetrySetup
{
    // Made from what stands there before it is put there.
    private static readonly Func<IReadOnlyBasicProperties, ActivityContext> ContextWithoutState = WithoutState(RabbitMQActivitySource.ContextExtractor);

    public static void Add(WebApplicationBuilder builder, Settings settings)
    {
        if (string.IsNullOrEmpty(builder.Configuration["OTEL_EXPORTER_OTLP_ENDPOINT"]))
        {
            return;
        }

        RabbitMQActivitySource.ContextExtractor = ContextWithoutState;
        builder.Services.AddOpenTelemetry()
            .ConfigureResource(resource => resource.AddService("titration"))
            .WithTracing(traces => traces.AddSource(TitrationTelemetry.Name, "MassTransit", "Quartz", "RabbitMQ.Client.*").AddHttpClientInstrumentation()
                .AddProcessor(new AddressRedaction(settings)))
            .WithMetrics(metrics => metrics.AddMeter(TitrationTelemetry.Name, "MassTransit", "Quartz").AddRuntimeInstrumentation()
                .SetExemplarFilter(ExemplarFilterType.TraceBased))
            .WithLogging()
            .UseOtlpExporter();
    }

    // A link cannot be changed any more: the producer's trace is joined without the text that it may carry along.
    private static Func<IReadOnlyBasicProperties, ActivityContext> WithoutState(Func<IReadOnlyBasicProperties, ActivityContext> contextOf) => properties =>
    {
        ActivityContext context = contextOf(properties);
        return new ActivityContext(context.TraceId, context.SpanId, context.TraceFlags, traceState: null, context.IsRemote);
    };
}
