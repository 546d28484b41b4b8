using OpenTelemetry;
using OpenTelemetry.Metrics;
using OpenTelemetry.Resources;
using OpenTelemetry.Trace;

namespace Titration.Worker.Telemetry;

/// <summary>Sends traces, metrics and logs by OTLP where the standard variables (<c>OTEL_EXPORTER_OTLP_ENDPOINT</c>) say where to.</summary>
public static class OpenTelemetrySetup
{
    public static void Add(WebApplicationBuilder builder)
    {
        if (string.IsNullOrEmpty(builder.Configuration["OTEL_EXPORTER_OTLP_ENDPOINT"]))
        {
            return;
        }

        builder.Services.AddOpenTelemetry()
            .ConfigureResource(resource => resource.AddService("titration"))
            .WithTracing(traces => traces.AddSource(TitrationTelemetry.Name, "MassTransit", "Quartz", "RabbitMQ.Client.*").AddHttpClientInstrumentation())
            .WithMetrics(metrics => metrics.AddMeter(TitrationTelemetry.Name, "MassTransit", "Quartz").AddRuntimeInstrumentation())
            .WithLogging()
            .UseOtlpExporter();
    }
}
