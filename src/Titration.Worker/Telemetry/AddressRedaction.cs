using System.Collections.Frozen;
using System.Diagnostics;
using Hl7.Fhir.Model;
using OpenTelemetry;
using Titration.Worker.Configuration;

namespace Titration.Worker.Telemetry;

/// <summary>
/// Puts the template in place of the address in the spans of HTTP requests (<c>url.template</c> of OpenTelemetry's conventions), and takes away what a producer's trace
/// brought along: addresses hold ids of patients' resources, searches hold more, and a trace state is somebody else's text.
/// </summary>
public sealed class AddressRedaction(Settings settings) : BaseProcessor<Activity>
{
    private const string Full = "url.full";

    /// <inheritdoc/>
    public override void OnStart(Activity data) => data.TraceStateString = null;

    /// <inheritdoc/>
    public override void OnEnd(Activity data)
    {
        data.TraceStateString = null;
        if (data.GetTagItem(Full) is string text)
        {
            string? template = Uri.TryCreate(text, UriKind.Absolute, out Uri? address) ? TemplateOf(address, settings.Options.FhirServer.BaseUrl) : null;
            data.SetTag(Full, template is null ? null : $"{address!.GetLeftPart(UriPartial.Authority)}{template}");
            data.SetTag("url.template", template);
        }

        data.SetTag("url.path", null);
        data.SetTag("url.query", null);
        if (data.Status == ActivityStatusCode.Error)
        {
            // The description is an exception's message.
            data.SetStatus(ActivityStatusCode.Error);
        }
    }

    /// <summary>
    /// The path with <c>{id}</c> in place of all that is neither a part of the base address nor a type or an operation of FHIR. A query is left out.
    /// </summary>
    /// <param name="address">Of the request.</param>
    /// <param name="fhirBase">The FHIR server's base address; empty: the embedded one's.</param>
    public static string TemplateOf(Uri address, string fhirBase)
    {
        string basePath = Uri.TryCreate(fhirBase, UriKind.Absolute, out Uri? known) && known.Authority == address.Authority ? known.AbsolutePath.TrimEnd('/') : "/fhir";
        string path = address.AbsolutePath;
        bool isBelow = path.StartsWith(basePath + "/", StringComparison.Ordinal);
        string rest = isBelow ? path[basePath.Length..] : path;
        return (isBelow ? basePath : "") + string.Join('/', rest.Split('/').Select(s => s.Length == 0 || IsFixed(s) ? s : "{id}"));
    }

    // A trailing word of the well-known paths, an operation, or a type: all of them are the specification's.
    private static bool IsFixed(string segment) => segment is "_history" or "_search" or "metadata" or ".well-known" or "smart-configuration" or "token" or "v1" or "traces" or "metrics" or "logs"
        || Types.Contains(segment);

    private static readonly FrozenSet<string> Types = ModelInfo.SupportedResources.ToFrozenSet(StringComparer.Ordinal);
}
