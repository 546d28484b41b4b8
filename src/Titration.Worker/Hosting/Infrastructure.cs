using System.Data.Common;
using Microsoft.EntityFrameworkCore;

namespace Titration.Worker.Hosting;

/// <summary>Tells trouble of the surroundings from defects of ours.</summary>
public static class Infrastructure
{
    /// <summary>True for what passes by itself: a database that is down, locked or contended, a network that fails.</summary>
    public static bool IsTrouble(Exception problem) =>
        problem is DbException or DbUpdateException or TimeoutException or IOException or System.Net.Sockets.SocketException
        || (problem.InnerException is { } inner && IsTrouble(inner));
}
