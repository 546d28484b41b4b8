using System.Globalization;
using System.Text;
using Microsoft.Data.Sqlite;
using Titration.Sandbox.Storing;

namespace Titration.Sandbox.Searching;

/// <summary>Turns a search into one SQL statement over the index. Values only ever travel as parameters.</summary>
internal static class SearchSql
{
    /// <summary>The column that holds the place where a next page would begin.</summary>
    public const int RowColumn = 6;

    public static SqliteCommand Command(SqliteConnection connection, SearchQuery query)
    {
        SqliteCommand command = connection.CreateCommand();
        StringBuilder sql = new($"SELECT {StoreStatements.Columns}, c.row FROM current c JOIN version v ON v.row = c.row WHERE c.type = {Add(command, query.Type)}");
        foreach (SearchCriterion criterion in query.Criteria)
        {
            sql.Append(" AND ").Append(Condition(command, query.Type, criterion));
        }

        // The unary plus keeps SQLite from walking the whole type in order when the index already names the few rows that fit.
        bool selective = query.Criteria.Any(c => c is not SearchCriterion.UpdatedWithin);
        string row = selective ? "+c.row" : "c.row";
        sql.Append(CultureInfo.InvariantCulture, $" AND {row} > {Add(command, query.After)} ORDER BY {row} LIMIT {Add(command, query.Count + 1)}");
        command.CommandText = sql.ToString();
        return command;
    }

    private static string Condition(SqliteCommand command, string type, SearchCriterion criterion) => criterion switch
    {
        SearchCriterion.IdIs ids => $"c.id IN ({string.Join(", ", ids.Values.Select(id => Add(command, id)))})",
        SearchCriterion.Indexed indexed =>
            $"c.id IN ({string.Join(" UNION ALL ", indexed.Values.Select(v => Lookup(command, type, indexed.Parameter, v)))})",
        SearchCriterion.UpdatedWithin within => $"c.updated >= {Add(command, within.From)} AND c.updated < {Add(command, within.Before)}",
        _ => throw new System.Diagnostics.UnreachableException(),
    };

    private static string Lookup(SqliteCommand command, string type, string parameter, IndexedValue value)
    {
        string system = value.System is null ? "" : $" AND system = {Add(command, value.System)}";
        return $"SELECT id FROM search_index WHERE type = {Add(command, type)} AND param = {Add(command, parameter)} AND value = {Add(command, value.Value)}{system}";
    }

    private static string Add(SqliteCommand command, object value)
    {
        string name = $"$p{command.Parameters.Count}";
        command.Parameters.AddWithValue(name, value);
        return name;
    }
}
