using System.Data.Common;
using Microsoft.Data.Sqlite;
using Microsoft.EntityFrameworkCore;
using Npgsql;
using Titration.Storage.Ledger;
using Titration.Worker.Deciding;

namespace Titration.Worker.Hosting;

/// <summary>Tells trouble of the surroundings from defects of ours.</summary>
public static class Infrastructure
{
    /// <summary>
    /// True for what passes by itself or by a change of the settings: a database that is down, locked or contended, a network that fails, a key without which
    /// nobody can tell whom to leave out, a policy that is not in force. Not what the database has against this one message: waiting for that would stop the queue for ever.
    /// </summary>
    public static bool IsTrouble(Exception problem) => problem switch
    {
        PostgresException refused => !IsAboutContent(refused.SqlState),
        SqliteException refused => !IsAboutContent(refused.SqliteErrorCode),
        DbException or TimeoutException or IOException or System.Net.Sockets.SocketException => true,
        DbUpdateException { InnerException: null } or ErasureKeyException or PolicyNotInForceException => true,
        { InnerException: { } inner } => IsTrouble(inner),
        _ => false,
    };

    /// <summary>True for trouble of the database server's: it is away, or was when it was asked. Not a refusal of our credentials, which lasts.</summary>
    public static bool IsTroubleOfDatabaseServer(Exception problem) => problem switch
    {
        PostgresException refused => IsTrouble(refused) && !refused.SqlState.StartsWith("28", StringComparison.Ordinal),
        NpgsqlException => true,
        { InnerException: { } inner } => IsTroubleOfDatabaseServer(inner),
        _ => false,
    };

    // SQLITE_TOOBIG, SQLITE_CONSTRAINT and SQLITE_MISMATCH.
    private static bool IsAboutContent(int sqliteError) => sqliteError is 18 or 19 or 20;

    // The classes "data exception", "integrity constraint violation" and "program limit exceeded".
    private static bool IsAboutContent(string sqlState) => sqlState.AsSpan(0, 2) is "22" or "23" or "54";
}
