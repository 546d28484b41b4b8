namespace Titration.Sandbox.Tests;

/// <summary>Small valid resources, as a client would send them.</summary>
internal static class Resources
{
    public const string IdSystem = "https://clinic.example.org/ids";

    public static string APatient(string? id = null, string family = "Quill") =>
        $$"""{"resourceType":"Patient",{{Id(id)}}"name":[{"family":"{{family}}"}]}""";

    public static string ATask(string identifier, string status = "requested", string patient = "Patient/px-1", string? id = null, string focus = "CommunicationRequest/1") => $$"""
        {"resourceType":"Task",{{Id(id)}}"identifier":[{"system":"{{IdSystem}}","value":"{{identifier}}"}],"status":"{{status}}","intent":"proposal",
         "code":{"coding":[{"system":"http://hl7.org/fhir/CodeSystem/task-code","code":"approve"}]},
         "focus":{"reference":"{{focus}}"},"for":{"reference":"{{patient}}"} }
        """;

    public static string ACommunicationRequest(string identifier, string patient = "Patient/px-1") => $$"""
        {"resourceType":"CommunicationRequest","identifier":[{"system":"{{IdSystem}}","value":"{{identifier}}"}],"status":"draft",
         "subject":{"reference":"{{patient}}"} }
        """;

    public static string AnObservation(string patient, string id = "obs-1") => $$"""
        {"resourceType":"Observation","id":"{{id}}","status":"final","code":{"text":"dryness"},"subject":{"reference":"{{patient}}"},"valueQuantity":{"value":1.50} }
        """;

    /// <param name="type"><c>transaction</c> or <c>batch</c>.</param>
    public static string Bundle(string type, params string[] entries) =>
        $$"""{"resourceType":"Bundle","type":"{{type}}","entry":[{{string.Join(',', entries)}}]}""";

    /// <param name="more">Further properties of the request, such as <c>,"ifMatch":"…"</c>.</param>
    public static string Entry(string method, string url, string? resource = null, string? fullUrl = null, string more = "") =>
        "{" + (fullUrl is null ? "" : $"\"fullUrl\":\"{fullUrl}\",") + (resource is null ? "" : $"\"resource\":{resource},")
        + $$"""
            "request":{"method":"{{method}}","url":"{{url}}"{{more}} } }
            """;

    public static string IfNoneExist(string identifier) => $",\"ifNoneExist\":\"{Condition(identifier)}\"";

    public static string Condition(string identifier) => $"identifier={Uri.EscapeDataString($"{IdSystem}|{identifier}")}";

    private static string Id(string? id) => id is null ? "" : $"\"id\":\"{id}\",";
}
