using System.Text.Json;
using System.Text.Json.Nodes;
using System.Text.Json.Serialization.Metadata;
using Titration.Protocol.Decisions;
using Titration.Protocol.Definitions;
using Titration.Protocol.Facts;
using Titration.TestKit;
using Xunit;

namespace Titration.Worker.Tests;

/// <summary>The schema and the model are written apart; these keep them together.</summary>
public sealed class ProtocolSchemaTests
{
    private static readonly JsonSerializerOptions Web =
        new(JsonSerializerDefaults.Web) { TypeInfoResolver = new DefaultJsonTypeInfoResolver(), RespectRequiredConstructorParameters = true };

    private static readonly JsonNode Schema = JsonNode.Parse(File.ReadAllText(Repository.File("contracts", "protocol.schema.json")))!;

    [Fact]
    public void Every_object_of_the_schema_has_the_members_of_the_model_and_no_other()
    {
        List<string> differences = [];
        Compare(Schema, typeof(ProtocolDefinition), "", differences);
        Assert.Empty(differences);
    }

    [Fact]
    public void A_member_that_only_one_of_them_has_is_seen()
    {
        JsonNode changed = Schema.DeepClone();
        changed["$defs"]!["ladder"]!["properties"]!.AsObject().Remove("minimumDaysOnStep");
        List<string> differences = [];
        Compare(changed, typeof(ProtocolDefinition), "", differences, changed);
        Assert.Contains(differences, d => d.Contains("minimumDaysOnStep", StringComparison.Ordinal));
    }

    [Fact]
    public void Every_code_that_the_reader_knows_is_in_the_schema_and_no_other()
    {
        JsonNode rule = Schema["properties"]!["findings"]!["items"]!["properties"]!;
        Assert.Equal(Codes<FindingKind>(), Listed(rule["finding"]!));
        Assert.Equal(Codes<FindingEffect>(), Listed(rule["effect"]!));
        Assert.Equal(Codes<Priority>(), Listed(rule["priority"]!));
        Assert.Equal(Codes<ClearedBy>(), Listed(rule["clearedBy"]!));
        Assert.Equal(Codes<Approval>(), Listed(Schema["properties"]!["approval"]!));
    }

    private static void Compare(JsonNode node, Type type, string path, List<string> differences, JsonNode? root = null)
    {
        JsonNode schema = Resolve(node, root ?? Schema);
        JsonTypeInfo model = Web.GetTypeInfo(type);
        if (model.Kind == JsonTypeInfoKind.Enumerable)
        {
            Compare(schema["items"]!, model.ElementType!, $"{path}/*", differences, root);
            return;
        }

        if (model.Kind != JsonTypeInfoKind.Object)
        {
            return;
        }

        JsonObject members = schema["properties"]!.AsObject();
        string[] required = [.. schema["required"]!.AsArray().Select(n => n!.GetValue<string>())];
        JsonPropertyInfo[] properties = [.. model.Properties.Where(p => p.Get is not null || p.Set is not null)];
        differences.AddRange(members.Select(m => m.Key).Except(properties.Select(p => p.Name), StringComparer.Ordinal).Select(m => $"{path}/{m} is in the schema only"));
        foreach (JsonPropertyInfo property in properties)
        {
            if (members[property.Name] is not { } member)
            {
                differences.Add($"{path}/{property.Name} is in the model only");
                continue;
            }

            bool needed = property.IsRequired || property.AssociatedParameter is { HasDefaultValue: false };
            if (needed != required.Contains(property.Name, StringComparer.Ordinal))
            {
                differences.Add($"{path}/{property.Name} is required by one of them only");
            }

            Compare(member, property.PropertyType, $"{path}/{property.Name}", differences, root);
        }

        if (schema["additionalProperties"]?.GetValue<bool>() != false)
        {
            differences.Add($"{path} lets unknown members pass");
        }
    }

    private static JsonNode Resolve(JsonNode node, JsonNode root) =>
        node["$ref"] is { } reference ? root["$defs"]![reference.GetValue<string>().Split('/')[^1]]! : node;

    private static string[] Codes<T>() where T : struct, Enum => [.. Enum.GetValues<T>().Select(v => v.Code()).Order(StringComparer.Ordinal)];

    private static string[] Listed(JsonNode member) => [.. member["enum"]!.AsArray().Select(n => n!.GetValue<string>()).Order(StringComparer.Ordinal)];
}
