using System.Net;
using System.Net.Http.Headers;
using System.Text;
using Xunit;
using static Titration.Sandbox.Tests.Resources;

namespace Titration.Sandbox.Tests;

public sealed class BadInputTests
{
    [Theory]
    [InlineData("""{"resourceType":"Patient","name":[{"fam""")]
    [InlineData("")]
    [InlineData("[]")]
    [InlineData("null")]
    [InlineData("<Patient xmlns=\"http://hl7.org/fhir\"/>")]
    [InlineData("""{"resourceType":"Patient","active":true} {"more":1}""")]
    [InlineData("""{"resourceType":"Patient","active":true,"active":false}""")]
    [InlineData("""{"resourceType":"Patient","name":[{"family":"\ud800"}]}""")]
    [InlineData("""{"resourceType":"\ud800","active":true}""")]
    [InlineData("""{"resourceType":"Patient","\udc00":true}""")]
    [InlineData("""{"resourceType":"Patient","\u0061ctive":true,"active":true}""")]
    [InlineData("""{"resourceType":"Patient","nonsense":1}""")]
    [InlineData("""{"resourceType":"Patient","birthDate":"2026-13-01"}""")]
    [InlineData("""{"resourceType":"Patient","gender":"nonsense"}""")]
    [InlineData("""{"resourceType":"Patient","active":"yes"}""")]
    [InlineData("""{"resourceType":"Patient","name":[]}""")]
    [InlineData("""{"resourceType":"Patient","name":null}""")]
    [InlineData("""{"resourceType":"Patient","meta":7}""")]
    [InlineData("""{"resourceType":"Patient","identifier":"a"}""")]
    [InlineData("""{"resourceType":"Patient"}""")]
    [InlineData("""{"resourceType":"Nonsense","active":true}""")]
    [InlineData("""{"resourceType":7}""")]
    [InlineData("""{"active":true}""")]
    [InlineData("""{"resourceType":"Organization","active":true}""")]
    public async Task A_body_that_is_no_valid_resource_of_the_type_is_refused_and_not_stored(string body)
    {
        await using RunningSandbox sandbox = await RunningSandbox.StartAsync();

        Reply refused = await sandbox.PostAsync("Patient", body);

        Assert.Equal(HttpStatusCode.BadRequest, refused.Status);
        Assert.Equal("application/fhir+json; charset=utf-8", refused.ContentType);
        Assert.NotEmpty(refused.Issue().Diagnostics);
        Assert.DoesNotContain("   at ", refused.Body, StringComparison.Ordinal);
        Assert.Empty((await sandbox.GetAsync("Patient")).Ids);
        Assert.Empty((await sandbox.GetAsync("Organization")).Ids);
    }

    [Fact]
    public async Task Bytes_that_are_no_UTF_8_are_refused()
    {
        await using RunningSandbox sandbox = await RunningSandbox.StartAsync();
        byte[] latin1 = Encoding.Latin1.GetBytes("""{"resourceType":"Patient","name":[{"family":"Müller"}]}""");

        Reply refused = await SendAsync(sandbox, new ByteArrayContent(latin1), "application/fhir+json");

        Assert.Equal(HttpStatusCode.BadRequest, refused.Status);
        Assert.NotEmpty(refused.Issue().Diagnostics);
    }

    [Fact]
    public async Task JSON_nested_without_end_is_refused()
    {
        await using RunningSandbox sandbox = await RunningSandbox.StartAsync();
        string extension = string.Concat(Enumerable.Repeat("""{"url":"u","extension":[""", 1000));

        Reply refused = await sandbox.PostAsync("Patient", $$"""{"resourceType":"Patient","extension":[{{extension}}""");

        Assert.Equal(HttpStatusCode.BadRequest, refused.Status);
        Assert.Equal("structure", refused.Issue().Code);
    }

    [Fact]
    public async Task Every_fault_of_a_resource_is_named_with_its_place()
    {
        await using RunningSandbox sandbox = await RunningSandbox.StartAsync();

        Reply refused = await sandbox.PostAsync("Task", """{"resourceType":"Task","status":"nonsense","nonsense":1}""");

        string[] places = [.. refused.Json.GetProperty("issue").EnumerateArray().Select(i => i.GetProperty("expression")[0].GetString()!)];
        Assert.Contains("Task.status", places);
        Assert.Contains("Task.nonsense", places);
        Assert.Contains(refused.Json.GetProperty("issue").EnumerateArray(), i => i.GetProperty("code").GetString() == "required");
    }

    [Theory]
    [InlineData("Patient/px", """{"resourceType":"Patient","active":true}""")]
    [InlineData("Patient/px", """{"resourceType":"Patient","id":"py","active":true}""")]
    [InlineData("Patient/px", """{"resourceType":"Organization","id":"px","active":true}""")]
    public async Task An_update_must_carry_the_type_and_the_id_of_its_URL(string path, string body)
    {
        await using RunningSandbox sandbox = await RunningSandbox.StartAsync();

        Assert.Equal(HttpStatusCode.BadRequest, (await sandbox.PutAsync(path, body)).Status);
        Assert.Equal(HttpStatusCode.NotFound, (await sandbox.GetAsync(path)).Status);
    }

    [Theory]
    [InlineData("If-Match", "1")]
    [InlineData("If-Match", "*")]
    [InlineData("If-Match", "W/\"1\", W/\"2\"")]
    [InlineData("If-None-Match", "*")]
    [InlineData("If-None-Exist", "identifier=a")]
    public async Task A_condition_that_is_not_understood_stops_an_update(string header, string value)
    {
        await using RunningSandbox sandbox = await RunningSandbox.StartAsync();
        await sandbox.PutAsync("Patient/px", APatient("px"));

        Reply refused = await sandbox.PutAsync("Patient/px", APatient("px", "Changed"), header, value);

        Assert.Equal(HttpStatusCode.BadRequest, refused.Status);
        Assert.Contains(header, refused.Issue().Diagnostics, StringComparison.Ordinal);
        Assert.Equal("1", (await sandbox.GetAsync("Patient/px")).Version);
    }

    [Theory]
    [InlineData("GET", "Nonsense")]
    [InlineData("GET", "Nonsense/1")]
    [InlineData("GET", "patient/1")]
    [InlineData("GET", "Bundle")]
    [InlineData("GET", "Patient/_history")]
    [InlineData("GET", "Patient/not_an_id")]
    [InlineData("GET", "Patient/px/_history/1/more")]
    [InlineData("GET", "Patient//px")]
    [InlineData("GET", "Patient/$export")]
    [InlineData("POST", "Patient/_search")]
    [InlineData("POST", "$process-message")]
    public async Task What_is_not_served_is_not_found(string method, string path)
    {
        await using RunningSandbox sandbox = await RunningSandbox.StartAsync();

        Reply refused = await sandbox.SendAsync(method, path, method == "POST" ? APatient() : null);

        Assert.Equal(HttpStatusCode.NotFound, refused.Status);
        Assert.Equal("not-supported", refused.Issue().Code);
    }

    [Theory]
    [InlineData("DELETE", "Patient/px", "GET, PUT")]
    [InlineData("PATCH", "Patient/px", "GET, PUT")]
    [InlineData("POST", "Patient/px", "GET, PUT")]
    [InlineData("PUT", "Patient", "GET, POST")]
    [InlineData("DELETE", "Patient", "GET, POST")]
    [InlineData("PUT", "Patient/px/_history/1", "GET")]
    [InlineData("DELETE", "Patient/px/_history", "GET")]
    [InlineData("POST", "metadata", "GET")]
    [InlineData("GET", "", "POST")]
    [InlineData("OPTIONS", "Patient/px", "GET, PUT")]
    public async Task A_method_that_is_not_supported_is_answered_with_those_that_are(string method, string path, string allowed)
    {
        await using RunningSandbox sandbox = await RunningSandbox.StartAsync();
        await sandbox.PutAsync("Patient/px", APatient("px"));

        Reply refused = await sandbox.SendAsync(method, path);

        Assert.Equal(HttpStatusCode.MethodNotAllowed, refused.Status);
        Assert.Equal(allowed, string.Join(", ", refused.Allow));
        Assert.Equal("not-supported", refused.Issue().Code);
        Assert.Equal(HttpStatusCode.OK, (await sandbox.GetAsync("Patient/px")).Status);
    }

    [Theory]
    [InlineData("application/fhir+json", HttpStatusCode.Created)]
    [InlineData("application/json; charset=UTF-8", HttpStatusCode.Created)]
    [InlineData("application/fhir+json; fhirVersion=4.0", HttpStatusCode.Created)]
    [InlineData("application/fhir+json; fhirVersion=5.0", HttpStatusCode.UnsupportedMediaType)]
    [InlineData("application/fhir+json; charset=iso-8859-1", HttpStatusCode.UnsupportedMediaType)]
    [InlineData("application/fhir+xml", HttpStatusCode.UnsupportedMediaType)]
    [InlineData("application/json-patch+json", HttpStatusCode.UnsupportedMediaType)]
    [InlineData("text/plain", HttpStatusCode.UnsupportedMediaType)]
    [InlineData("*/*", HttpStatusCode.UnsupportedMediaType)]
    [InlineData(null, HttpStatusCode.UnsupportedMediaType)]
    public async Task Only_JSON_in_UTF_8_is_taken(string? contentType, HttpStatusCode expected)
    {
        await using RunningSandbox sandbox = await RunningSandbox.StartAsync();

        Reply reply = await SendAsync(sandbox, new ByteArrayContent(Encoding.UTF8.GetBytes(APatient())), contentType);

        Assert.Equal(expected, reply.Status);
    }

    [Fact]
    public async Task A_compressed_body_is_refused()
    {
        await using RunningSandbox sandbox = await RunningSandbox.StartAsync();
        ByteArrayContent content = new([1, 2, 3]);
        content.Headers.ContentEncoding.Add("gzip");

        Assert.Equal(HttpStatusCode.UnsupportedMediaType, (await SendAsync(sandbox, content, "application/fhir+json")).Status);
    }

    [Theory]
    [InlineData("application/fhir+json", "", HttpStatusCode.OK)]
    [InlineData("application/fhir+xml, application/json;q=0.5", "", HttpStatusCode.OK)]
    [InlineData("*/*", "", HttpStatusCode.OK)]
    [InlineData("text/html, application/*", "", HttpStatusCode.OK)]
    [InlineData("application/fhir+json; fhirVersion=4.0", "", HttpStatusCode.OK)]
    [InlineData("application/fhir+json; fhirVersion=5.0", "", HttpStatusCode.NotAcceptable)]
    [InlineData("application/fhir+xml", "", HttpStatusCode.NotAcceptable)]
    [InlineData("application/fhir+json;q=0", "", HttpStatusCode.NotAcceptable)]
    [InlineData("not a media type", "", HttpStatusCode.NotAcceptable)]
    [InlineData("application/fhir+xml", "?_format=json", HttpStatusCode.OK)]
    [InlineData("application/fhir+json", "?_format=application%2Ffhir%2Bjson", HttpStatusCode.OK)]
    [InlineData("application/fhir+json", "?_format=xml", HttpStatusCode.NotAcceptable)]
    public async Task Only_JSON_is_given(string accept, string query, HttpStatusCode expected)
    {
        await using RunningSandbox sandbox = await RunningSandbox.StartAsync();
        await sandbox.PutAsync("Patient/px", APatient("px"));

        Reply read = await sandbox.GetAsync($"Patient/px{query}", "Accept", accept);
        Reply search = await sandbox.GetAsync($"Patient{query}", "Accept", accept);

        Assert.Equal(expected, read.Status);
        Assert.Equal(expected, search.Status);
    }

    [Theory]
    [InlineData(true)]
    [InlineData(false)]
    public async Task A_body_over_the_limit_is_refused_whether_or_not_it_says_its_length(bool saysItsLength)
    {
        await using RunningSandbox sandbox = await RunningSandbox.StartAsync(bodyLimitBytes: 1000);
        string fits = Padded(1000);
        string tooLong = Padded(1001);

        Reply taken = await SendAsync(sandbox, Content(fits, saysItsLength), "application/fhir+json");
        Reply refused = await SendAsync(sandbox, Content(tooLong, saysItsLength), "application/fhir+json");

        Assert.Equal(HttpStatusCode.Created, taken.Status);
        Assert.Equal(HttpStatusCode.RequestEntityTooLarge, refused.Status);
        Assert.Equal("too-long", refused.Issue().Code);
    }

    [Fact]
    public async Task By_default_a_body_may_have_two_mebibytes()
    {
        await using RunningSandbox sandbox = await RunningSandbox.StartAsync();

        Reply taken = await sandbox.PostAsync("Patient", Padded(2 * 1024 * 1024));
        Reply refused = await sandbox.PostAsync("Patient", Padded((2 * 1024 * 1024) + 1));

        Assert.Equal(HttpStatusCode.Created, taken.Status);
        Assert.Equal(HttpStatusCode.RequestEntityTooLarge, refused.Status);
    }

    [Fact]
    public async Task A_failure_of_the_store_is_answered_without_saying_what_went_wrong_inside()
    {
        await using RunningSandbox sandbox = await RunningSandbox.StartAsync();
        sandbox.Store.Dispose();

        Reply failed = await sandbox.GetAsync("Patient/px");

        Assert.Equal(HttpStatusCode.InternalServerError, failed.Status);
        Assert.Equal("exception", failed.Issue().Code);
        Assert.DoesNotContain("Sqlite", failed.Body, StringComparison.OrdinalIgnoreCase);
        Assert.DoesNotContain("   at ", failed.Body, StringComparison.Ordinal);
    }

    private static async Task<Reply> SendAsync(RunningSandbox sandbox, HttpContent content, string? contentType)
    {
        using HttpRequestMessage request = new(HttpMethod.Post, $"{sandbox.BaseUrl}/Patient") { Content = content };
        content.Headers.ContentType = contentType is null ? null : MediaTypeHeaderValue.Parse(contentType);
        return await sandbox.SendAsync(request);
    }

    private static HttpContent Content(string body, bool saysItsLength)
    {
        byte[] bytes = Encoding.UTF8.GetBytes(body);
        return saysItsLength ? new ByteArrayContent(bytes) : new UnsizedContent(bytes);
    }

    private static string Padded(int bytes) => APatient().PadRight(bytes);

    /// <summary>Goes out in chunks.</summary>
    private sealed class UnsizedContent(byte[] bytes) : HttpContent
    {
        protected override Task SerializeToStreamAsync(Stream stream, TransportContext? context) => stream.WriteAsync(bytes).AsTask();

        protected override bool TryComputeLength(out long length)
        {
            length = 0;
            return false;
        }
    }
}
