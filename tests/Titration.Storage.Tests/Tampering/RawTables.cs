using System.Data.Common;
using Microsoft.EntityFrameworkCore;
using Microsoft.EntityFrameworkCore.Storage;

namespace Titration.Storage.Tests.Tampering;

/// <summary>The tables as SQL sees them, past the service and within the context's transaction; on SQLite and on PostgreSQL.</summary>
internal sealed class RawTables(TitrationDbContext database, CancellationToken cancellationToken)
{
    public bool IsPostgres => database.Database.IsNpgsql();

    /// <summary>Names a row of any table.</summary>
    public string Row => IsPostgres ? "ctid::text" : "CAST(rowid AS TEXT)";

    /// <summary>As it stands in the column.</summary>
    public object Id(Guid id) => IsPostgres ? id : id.ToString().ToUpperInvariant();

    public async Task RunAsync(string sql, params object?[] parameters)
    {
        await using DbCommand command = Command(sql, parameters);
        await command.ExecuteNonQueryAsync(cancellationToken);
    }

    public async Task<List<object?[]>> ReadAsync(string sql, params object?[] parameters)
    {
        await using DbCommand command = Command(sql, parameters);
        await using DbDataReader reader = await command.ExecuteReaderAsync(cancellationToken);
        List<object?[]> rows = [];
        while (await reader.ReadAsync(cancellationToken))
        {
            rows.Add([.. Enumerable.Range(0, reader.FieldCount).Select(n => reader.IsDBNull(n) ? null : reader.GetValue(n))]);
        }

        return rows;
    }

    /// <summary>Two neighbours change places.</summary>
    public async Task SwapAsync(string table, string where, object owner, long first)
    {
        object key = owner is Guid id ? Id(id) : owner;
        await RunAsync($"UPDATE {table} SET sequence = -1 WHERE {where} AND sequence = @p1", key, first);
        await RunAsync($"UPDATE {table} SET sequence = @p1 WHERE {where} AND sequence = @p2", key, first, first + 1);
        await RunAsync($"UPDATE {table} SET sequence = @p1 WHERE {where} AND sequence = -1", key, first + 1);
    }

    private DbCommand Command(string sql, object?[] parameters)
    {
        DbCommand command = database.Database.GetDbConnection().CreateCommand();
        command.Transaction = database.Database.CurrentTransaction!.GetDbTransaction();
        command.CommandText = sql;
        for (int n = 0; n < parameters.Length; n++)
        {
            DbParameter parameter = command.CreateParameter();
            parameter.ParameterName = $"@p{n}";
            parameter.Value = parameters[n] ?? DBNull.Value;
            command.Parameters.Add(parameter);
        }

        return command;
    }
}
