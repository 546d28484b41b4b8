using System.Globalization;
using System.Text.Json;

namespace Titration.Worker.Configuration;

/// <summary>On which line of a JSON text each value stands: what lets a problem be found in an editor.</summary>
public sealed class JsonLines
{
    private readonly Dictionary<string, int> _lines = new(StringComparer.Ordinal);

    private JsonLines()
    {
    }

    /// <summary>Walks the text as far as it is JSON.</summary>
    public static JsonLines Of(ReadOnlySpan<byte> utf8)
    {
        JsonLines lines = new();
        Utf8JsonReader reader = new(utf8);
        int line = 1;
        int counted = 0;
        try
        {
            lines.Walk(ref reader, utf8, ref line, ref counted);
        }
        catch (JsonException)
        {
            // What stands before the break still has its line.
        }

        return lines;
    }

    /// <summary>The line, from 1, of the value at this path (a JSON Pointer), or of the nearest value around it.</summary>
    public int At(string path)
    {
        string at = path;
        while (!_lines.ContainsKey(at) && at.LastIndexOf('/') is >= 0 and int cut)
        {
            at = at[..cut];
        }

        return _lines.GetValueOrDefault(at, 1);
    }

    private void Walk(ref Utf8JsonReader reader, ReadOnlySpan<byte> utf8, ref int line, ref int counted)
    {
        // The path of each open container, and the index of the next item where it is an array.
        Stack<(string Path, int? Next)> open = new();
        string? named = null;
        while (reader.Read())
        {
            int start = (int)reader.TokenStartIndex;
            line += utf8[counted..start].Count((byte)'\n');
            counted = start;
            switch (reader.TokenType)
            {
                case JsonTokenType.PropertyName:
                    named = $"{open.Peek().Path}/{Escape(reader.GetString()!)}";
                    _lines[named] = line;
                    break;
                case JsonTokenType.EndObject or JsonTokenType.EndArray:
                    open.Pop();
                    break;
                default:
                    string path = named ?? NextItem(open);
                    named = null;
                    _lines.TryAdd(path, line);
                    if (reader.TokenType is JsonTokenType.StartObject or JsonTokenType.StartArray)
                    {
                        open.Push((path, reader.TokenType == JsonTokenType.StartArray ? 0 : null));
                    }

                    break;
            }
        }
    }

    private static string NextItem(Stack<(string Path, int? Next)> open)
    {
        if (open.Count == 0)
        {
            return "";
        }

        (string path, int? next) = open.Pop();
        open.Push((path, next + 1));
        return $"{path}/{next?.ToString(CultureInfo.InvariantCulture)}";
    }

    private static string Escape(string name) =>
        name.Replace("~", "~0", StringComparison.Ordinal).Replace("/", "~1", StringComparison.Ordinal);
}
