using Microsoft.EntityFrameworkCore;
using Microsoft.EntityFrameworkCore.Design;

namespace Titration.Storage;

/// <summary>For <c>dotnet ef</c>, which connects to nothing while it writes a migration.</summary>
internal sealed class SqliteDesignTimeFactory : IDesignTimeDbContextFactory<SqliteTitrationDbContext>
{
    public SqliteTitrationDbContext CreateDbContext(string[] args) =>
        new(new DbContextOptionsBuilder<SqliteTitrationDbContext>().UseSqlite("Data Source=:memory:").Options);
}

/// <summary>For <c>dotnet ef</c>, which connects to nothing while it writes a migration.</summary>
internal sealed class PostgresDesignTimeFactory : IDesignTimeDbContextFactory<PostgresTitrationDbContext>
{
    public PostgresTitrationDbContext CreateDbContext(string[] args) =>
        new(new DbContextOptionsBuilder<PostgresTitrationDbContext>().UseNpgsql("Host=localhost").Options);
}
