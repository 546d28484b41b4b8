using System.Text.Json.Nodes;

namespace Titration.Integration.Tests;

/// <summary>A CommunicationRequest on the endpoint, as far as the tests compare it.</summary>
internal sealed record SentCommunication(
    string Identifier, string Patient, string Kind, string Rule, string Status, string Priority, string Recipient, string Text, string Id, string Version)
{
    /// <summary>What it says to whom, whenever it was opened: the same in every order of arrival.</summary>
    public string Saying => $"{Patient} {Kind} {Rule} {Status} {Priority} {Recipient} {Text}";

    public bool IsOpen => Status is "draft" or "active";

    public static SentCommunication Of(JsonObject resource) => new(
        resource["identifier"]![0]!["value"]!.GetValue<string>(),
        resource["subject"]!["reference"]!.GetValue<string>()["Patient/".Length..],
        resource["category"]![0]!["coding"]![0]!["code"]!.GetValue<string>(),
        resource["reasonCode"]![0]!["coding"]![0]!["code"]!.GetValue<string>(),
        resource["status"]!.GetValue<string>(),
        resource["priority"]!.GetValue<string>(),
        resource["recipient"]![0]!["reference"]!.GetValue<string>(),
        resource["payload"]![0]!["contentString"]!.GetValue<string>(),
        resource["id"]!.GetValue<string>(),
        resource["meta"]!["versionId"]!.GetValue<string>());
}
