using System.Net.Sockets;
using Microsoft.Data.Sqlite;
using Microsoft.EntityFrameworkCore;
using Npgsql;
using Titration.Worker.Hosting;
using Xunit;

namespace Titration.Worker.Tests;

/// <summary>
/// What is waited out, and what is a defect of one message: waiting for the second would stop the queue for ever, and not waiting for the first would
/// drain it. Codes: SQLite result codes; PostgreSQL error codes, appendix A.
/// </summary>
public sealed class InfrastructureTests
{
    [Theory]
    [InlineData(5)] // busy
    [InlineData(6)] // locked
    [InlineData(10)] // input or output
    [InlineData(13)] // the disk is full
    [InlineData(14)] // cannot open
    public void A_SQLite_file_that_cannot_be_used_now_is_waited_for(int code) => Assert.True(Infrastructure.IsTrouble(new SqliteException("", code)));

    [Theory]
    [InlineData(18)] // too big
    [InlineData(19)] // constraint
    [InlineData(20)] // mismatch
    public void What_SQLite_has_against_a_message_is_a_defect(int code) => Assert.False(Infrastructure.IsTrouble(new SqliteException("", code)));

    [Theory]
    [InlineData("08006")] // connection failure
    [InlineData("40001")] // serialization failure
    [InlineData("40P01")] // deadlock
    [InlineData("53100")] // disk full
    [InlineData("53300")] // too many connections
    [InlineData("55P03")] // lock not available
    [InlineData("57014")] // cancelled by a timeout
    [InlineData("57P01")] // shutting down
    [InlineData("57P03")] // starting up
    public void A_PostgreSQL_server_that_cannot_be_used_now_is_waited_for(string code) =>
        Assert.True(Infrastructure.IsTrouble(new DbUpdateException("", new PostgresException("", "ERROR", "ERROR", code))));

    [Theory]
    [InlineData("22001")] // too long
    [InlineData("23505")] // not unique
    [InlineData("54000")] // program limit
    public void What_PostgreSQL_has_against_a_message_is_a_defect(string code) =>
        Assert.False(Infrastructure.IsTrouble(new DbUpdateException("", new PostgresException("", "ERROR", "ERROR", code))));

    /// <summary>The shell of what EF Core takes for a passing failure, and a scheduler's.</summary>
    [Fact]
    public void A_database_server_that_is_away_is_known_in_whatever_it_is_wrapped_and_refused_credentials_are_none()
    {
        Assert.True(Infrastructure.IsTroubleOfDatabaseServer(new InvalidOperationException("", new NpgsqlException("", new IOException("", new SocketException())))));
        Assert.True(Infrastructure.IsTroubleOfDatabaseServer(new InvalidOperationException("", new DbUpdateException("", new PostgresException("", "FATAL", "FATAL", "57P03")))));
        Assert.False(Infrastructure.IsTroubleOfDatabaseServer(new InvalidOperationException("", new PostgresException("", "FATAL", "FATAL", "28P01"))));
        Assert.False(Infrastructure.IsTroubleOfDatabaseServer(new IOException("The address is in use.")));
    }

    [Fact]
    public void Networks_are_waited_for_and_defects_of_ours_are_not()
    {
        Assert.True(Infrastructure.IsTrouble(new InvalidOperationException("", new SocketException())));
        Assert.True(Infrastructure.IsTrouble(new TimeoutException()));
        Assert.False(Infrastructure.IsTrouble(new InvalidOperationException()));
        Assert.False(Infrastructure.IsTrouble(new FormatException()));
    }
}
