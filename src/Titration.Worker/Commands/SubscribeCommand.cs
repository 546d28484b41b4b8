using System.Collections.Immutable;
using System.CommandLine;
using Hl7.Fhir.Model;
using Titration.Worker.Access;
using Titration.Worker.Configuration;
using Titration.Worker.Delivery;
using Titration.Worker.Hosting;
using Titration.Worker.Reading;

namespace Titration.Worker.Commands;

/// <summary><c>titration subscribe</c>.</summary>
internal static class SubscribeCommand
{
    private static readonly Argument<string> Endpoint = new("endpoint") { Description = "The service's inbound endpoint as the FHIR server reaches it, such as https://titration.clinic.example.org:8443/inbound" };
    private static readonly Option<bool> Print = new("--print") { Description = "Print the resources in place of creating them, without the secret" };
    private static readonly Option<string?> Topic = new("--topic") { Description = "Canonical address of a SubscriptionTopic that the server offers (R4 Subscriptions Backport); without: plain R4 criteria" };
    private static readonly Option<string> Content = new("--content") { Description = "With --topic: full-resource, or id-only, whereupon each resource is fetched", DefaultValueFactory = _ => "full-resource" };

    public static Command Create()
    {
        Command command = new("subscribe", """
            Has the FHIR server send every change to the service's inbound endpoint: creates the Subscriptions there, or prints them. Called again it changes nothing,
            unless something differs or the server has switched one off. The secret of Titration__Inbound__TokenFile goes along as a header.

              titration subscribe https://titration.clinic.example.org:8443/inbound
              titration subscribe https://titration.clinic.example.org:8443/inbound --topic http://fhir.clinic.example.org/SubscriptionTopic/changes --print

            Exit code 0: they stand; 1: the server refuses them. A server without Subscriptions is polled: Titration__FhirServer__PollSeconds.
            """)
        {
            Endpoint,
            Print,
            Topic,
            Content,
        };
        command.SetAction(RunAsync);
        return command;
    }

    private static async Task<int> RunAsync(ParseResult parsed, CancellationToken cancellationToken)
    {
        string text = parsed.GetValue(Endpoint)!;
        if (!Uri.TryCreate(text, UriKind.Absolute, out Uri? endpoint) || !new TransportRules(allowPlainHttp: false).Allows(endpoint) || endpoint.Query.Length > 0)
        {
            return Records.Refuse($"\"{text}\" is no https:// address of an endpoint; plain http:// is for this machine only");
        }

        string content = parsed.GetValue(Content)!;
        string? topic = parsed.GetValue(Topic);
        if (content is not ("full-resource" or "id-only") || (topic is not null && !Uri.TryCreate(topic, UriKind.Absolute, out _)))
        {
            return Records.Refuse("--content is full-resource or id-only, --topic an absolute address");
        }

        if (CommandSettings.Load() is not { } settings)
        {
            return ExitCode.Usage;
        }

        string tokenFile = settings.Options.Inbound.TokenFile;
        if (parsed.GetValue(Print))
        {
            WriteAll(InboundSubscription.Of(new SubscriptionRequest(endpoint, tokenFile.Length > 0 ? $"(the secret in {tokenFile})" : null, topic, content)));
            return ExitCode.Done;
        }

        if (tokenFile.Length == 0 && !settings.Options.EmbeddedBroker)
        {
            return Records.Refuse("the service has no inbound endpoint: set Titration__Inbound__TokenFile, and the certificate beside it");
        }

        await using ServiceProvider parts = TitrationHost.BuildParts(settings, TimeProvider.System);
        InboundSubscription subscription = new(parts.GetRequiredService<FhirServerClient>(), parts.GetRequiredService<ServerStatement>());
        int code = ExitCode.Done;
        foreach ((string criteria, ServerAnswer answer, string done) in await subscription.EnsureAsync(
            new SubscriptionRequest(endpoint, tokenFile.Length > 0 ? BearerFile.Read(tokenFile) : null, topic, content), cancellationToken))
        {
            if (answer is ServerAnswer.Held)
            {
                Console.WriteLine($"{criteria} {done}");
                continue;
            }

            code = ExitCode.Found;
            Console.Error.WriteLine($"titration: {criteria}: {Words(answer)}");
        }

        return code;
    }

    private static void WriteAll(ImmutableArray<Subscription> subscriptions)
    {
        Resource written = subscriptions.Length == 1
            ? subscriptions[0]
            : new Bundle
            {
                Type = Bundle.BundleType.Transaction,
                Entry = [.. subscriptions.Select(s => new Bundle.EntryComponent { Resource = s, Request = new() { Method = Bundle.HTTPVerb.PUT, Url = $"Subscription/{s.Id}" } })],
            };
        Console.WriteLine(FhirJson.Serialize(written));
    }

    private static string Words(ServerAnswer answer) => answer switch
    {
        ServerAnswer.Unavailable unavailable => $"the FHIR server cannot be asked now ({unavailable.Reason})",
        ServerAnswer.Refused { Status: 403 } => "the FHIR server does not let us (HTTP 403): let the scope system/Subscription.crus be granted, or create what --print shows by hand",
        ServerAnswer.Refused refused => $"the FHIR server refuses it (HTTP {refused.Status} {refused.IssueCodes}); where it has no Subscriptions, set Titration__FhirServer__PollSeconds",
        ServerAnswer.Missing => "the FHIR server has no Subscriptions (HTTP 404); set Titration__FhirServer__PollSeconds",
        _ => "somebody changed it meanwhile; call this again",
    };
}
