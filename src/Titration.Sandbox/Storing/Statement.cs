using Microsoft.Data.Sqlite;

namespace Titration.Sandbox.Storing;

/// <summary>A prepared statement with positional values; not safe for two threads at once, so only used under the store's lock.</summary>
internal sealed class Statement : IDisposable
{
    private readonly SqliteCommand _command;

    /// <param name="sql">Names its parameters <c>$1</c>, <c>$2</c> and so on.</param>
    public Statement(SqliteConnection connection, string sql, int parameters)
    {
        _command = connection.CreateCommand();
        _command.CommandText = sql;
        for (int i = 1; i <= parameters; i++)
        {
            _command.Parameters.Add(new SqliteParameter($"${i}", DBNull.Value));
        }

        _command.Prepare();
    }

    public int Execute(params ReadOnlySpan<object> values)
    {
        Bind(values);
        return _command.ExecuteNonQuery();
    }

    public SqliteDataReader Query(params ReadOnlySpan<object> values)
    {
        Bind(values);
        return _command.ExecuteReader();
    }

    public void Dispose() => _command.Dispose();

    private void Bind(ReadOnlySpan<object> values)
    {
        for (int i = 0; i < values.Length; i++)
        {
            _command.Parameters[i].Value = values[i];
        }
    }
}
