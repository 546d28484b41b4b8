using System.Diagnostics;
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
        SearchCriterion[] criteria = [.. query.Criteria.OrderBy(Breadth)];
        for (int i = 0; i < criteria.Length; i++)
        {
            sql.Append(" AND ").Append(Condition(command, query.Type, criteria[i], isFirst: i == 0));
        }

        // The unary plus keeps SQLite from walking the whole type in order when the index already names the few rows that fit.
        bool selective = criteria is [SearchCriterion.IdIs or SearchCriterion.Indexed, ..];
        string row = selective ? "+c.row" : "c.row";
        sql.Append(CultureInfo.InvariantCulture, $" AND {row} > {Add(command, query.After)} ORDER BY {row} LIMIT {Add(command, query.Count + 1)}");
        command.CommandText = sql.ToString();
        return command;
    }

    /// <summary>How many resources a criterion lets through, as a guess: the narrowest is looked up, and what it finds is held against the others.</summary>
    private static int Breadth(SearchCriterion criterion) => criterion switch
    {
        SearchCriterion.IdIs => 0,
        SearchCriterion.Indexed { Parameter: "identifier" or "focus" } => 1,
        SearchCriterion.Indexed { Parameter: "patient" or "subject" } => 2,
        SearchCriterion.Indexed => 3,
        _ => 4,
    };

    private static string Condition(SqliteCommand command, string type, SearchCriterion criterion, bool isFirst) => criterion switch
    {
        SearchCriterion.IdIs ids => $"c.id IN ({string.Join(", ", ids.Values.Select(id => Add(command, id)))})",
        SearchCriterion.Indexed indexed when isFirst =>
            $"c.id IN ({string.Join(" UNION ALL ", indexed.Values.Select(v => $"SELECT id {Matching(command, type, indexed.Parameter, v)}"))})",
        SearchCriterion.Indexed indexed =>
            $"({string.Join(" OR ", indexed.Values.Select(v => $"EXISTS (SELECT 1 {Matching(command, type, indexed.Parameter, v)} AND id = c.id)"))})",
        SearchCriterion.UpdatedWithin within => $"c.updated >= {Add(command, within.From)} AND c.updated < {Add(command, within.Before)}",
        _ => throw new UnreachableException(),
    };

    private static string Matching(SqliteCommand command, string type, string parameter, IndexedValue value)
    {
        string system = value.System is null ? "" : $" AND system = {Add(command, value.System)}";
        return $"FROM search_index WHERE type = {Add(command, type)} AND param = {Add(command, parameter)} AND value = {Add(command, value.Value)}{system}";
    }

    private static string Add(SqliteCommand command, object value)
    {
        string name = $"$p{command.Parameters.Count}";
        command.Parameters.AddWithValue(name, value);
        return name;
    }
}
