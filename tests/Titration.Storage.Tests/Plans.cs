using System.Text.Json;
using Microsoft.EntityFrameworkCore;
using Npgsql;

namespace Titration.Storage.Tests;

/// <summary>How PostgreSQL executes statements, as it says itself (auto_explain).</summary>
internal static class Plans
{
    /// <summary>The plans of what the work executes on the context's connection, in their order.</summary>
    public static async Task<IReadOnlyList<JsonElement>> OfAsync(TitrationDbContext database, Func<Task> work, CancellationToken cancellationToken)
    {
        await database.Database.OpenConnectionAsync(cancellationToken);
        var connection = (NpgsqlConnection)database.Database.GetDbConnection();
        await database.Database.ExecuteSqlRawAsync(
            "LOAD 'auto_explain'; SET auto_explain.log_min_duration = 0; SET auto_explain.log_format = 'json'; SET client_min_messages = 'log'", cancellationToken);
        List<JsonElement> plans = [];
        connection.Notice += (_, notice) =>
        {
            string text = notice.Notice.MessageText;
            if (text.Contains("plan:", StringComparison.Ordinal))
            {
                plans.Add(JsonDocument.Parse(text[text.IndexOf('{', StringComparison.Ordinal)..]).RootElement.GetProperty("Plan"));
            }
        };
        await work();
        return plans;
    }
}
