using System.Collections.Immutable;
using System.Data.Common;
using Microsoft.EntityFrameworkCore;
using Microsoft.EntityFrameworkCore.Update;
using Npgsql;

namespace Titration.Storage;

/// <summary>One statement for rows of one table that are added or changed in the same columns.</summary>
/// <param name="rows">At least one. The first says for all of them which columns there are.</param>
internal sealed class ArrayStatement(ImmutableArray<IReadOnlyModificationCommand> rows)
{
    private readonly ImmutableArray<Column> _written = [.. Columns(rows[0], c => c.IsWrite)];
    private readonly ImmutableArray<Column> _found = [.. Columns(rows[0], c => c.IsCondition)];
    private readonly ImmutableArray<Column> _generated = [.. Columns(rows[0], c => c.IsRead)];

    /// <summary>Whether the database makes values of the row.</summary>
    public bool Generates => _generated.Length > 0;

    /// <summary>
    /// The statements for rows of which none depends on another. In which order a statement returns its rows is nowhere promised, so one whose key the database makes is added
    /// by itself.
    /// </summary>
    public static IEnumerable<ArrayStatement> Of(IEnumerable<IReadOnlyModificationCommand> rows) => rows
        .GroupBy(row => (row.TableName, row.EntityState, Shape: Shape(row)))
        .SelectMany(alike => alike.First().ColumnModifications.Any(c => c.IsRead) ? alike.Select(row => new ArrayStatement([row])) : [new ArrayStatement([.. alike])]);

    public NpgsqlBatchCommand ToCommand()
    {
        NpgsqlBatchCommand command = new(Text());
        foreach (NpgsqlParameter array in (NpgsqlParameter[])[.. _written.Select(c => ArrayOf(c, m => m.Value)), .. _found.Select(c => ArrayOf(c, m => m.OriginalValue))])
        {
            command.Parameters.Add(array);
        }

        return command;
    }

    /// <summary>Takes what the database has made for the row that the reader stands at.</summary>
    public void TakeGenerated(DbDataReader reader)
    {
        for (int i = 0; i < _generated.Length; i++)
        {
            rows[0].ColumnModifications[_generated[i].Place].Value = reader.GetValue(i);
        }
    }

    /// <exception cref="DbUpdateConcurrencyException">Fewer rows were there as they had been read.</exception>
    public void RequireAll(ulong written)
    {
        if (written != (ulong)rows.Length)
        {
            throw new DbUpdateConcurrencyException(
                $"Of {rows.Length} rows of {rows[0].TableName} {written} are still as they were read.", [.. rows.SelectMany(r => r.Entries)]);
        }
    }

    private static string Shape(IReadOnlyModificationCommand row) =>
        string.Concat(row.ColumnModifications.Select(c => (char)('0' + (c.IsWrite ? 1 : 0) + (c.IsCondition ? 2 : 0) + (c.IsRead ? 4 : 0)) + c.ColumnName));

    private static IEnumerable<Column> Columns(IReadOnlyModificationCommand row, Predicate<IColumnModification> are) =>
        row.ColumnModifications.Index().Where(c => are(c.Item)).Select(c => new Column(c.Item.ColumnName, c.Index));

    private string Text()
    {
        string table = rows[0].TableName;
        int[] arrays = [.. Enumerable.Range(1, _written.Length + _found.Length)];
        string values = $"unnest({List(arrays, n => $"${n}")}) AS v({List(arrays, n => $"v{n}")})";
        string text = rows[0].EntityState switch
        {
            EntityState.Added => $"INSERT INTO {table} ({List(_written, c => c.Name)}) SELECT * FROM {values}",
            EntityState.Modified => $"UPDATE {table} AS t SET {string.Join(", ", _written.Select((c, i) => $"{c.Name} = v{i + 1}"))} FROM {values} "
                + $"WHERE {string.Join(" AND ", _found.Select((c, i) => $"t.{c.Name} = v{_written.Length + i + 1}"))}",
            EntityState state => throw new NotSupportedException($"Rows are added and changed by a save; what is to be {state} needs a statement of its own."),
        };
        return Generates ? $"{text} RETURNING {List(_generated, c => c.Name)}" : text;
    }

    private static string List<T>(IEnumerable<T> items, Func<T, string> text) => string.Join(", ", items.Select(text));

    private NpgsqlParameter ArrayOf(Column column, Func<IColumnModification, object?> valueOf)
    {
        var mapping = rows[0].ColumnModifications[column.Place].TypeMapping!;
        Type stored = mapping.Converter?.ProviderClrType ?? mapping.ClrType;
        Array values = Array.CreateInstance(stored.IsValueType && Nullable.GetUnderlyingType(stored) is null ? typeof(Nullable<>).MakeGenericType(stored) : stored, rows.Length);
        for (int i = 0; i < rows.Length; i++)
        {
            object? value = valueOf(rows[i].ColumnModifications[column.Place]);
            values.SetValue(mapping.Converter is { } converter ? converter.ConvertToProvider(value) : value, i);
        }

        return new NpgsqlParameter { Value = values, DataTypeName = $"{mapping.StoreType}[]" };
    }

    /// <param name="Name">In the database: letters and underscores, so that it needs no quotes.</param>
    /// <param name="Place">Among the columns of each row.</param>
    private sealed record Column(string Name, int Place);
}
