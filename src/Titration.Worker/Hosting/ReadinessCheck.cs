using Microsoft.EntityFrameworkCore;
using Microsoft.Extensions.Diagnostics.HealthChecks;
using Titration.Storage;

namespace Titration.Worker.Hosting;

/// <summary>Ready: the database answers and its schema fits. The bus reports itself.</summary>
public sealed class ReadinessCheck(IDbContextFactory<TitrationDbContext> contexts) : IHealthCheck
{
    public async Task<HealthCheckResult> CheckHealthAsync(HealthCheckContext context, CancellationToken cancellationToken = default)
    {
        await using TitrationDbContext database = await contexts.CreateDbContextAsync(cancellationToken);
        return await database.Database.CanConnectAsync(cancellationToken)
            ? HealthCheckResult.Healthy()
            : HealthCheckResult.Unhealthy("the database does not answer");
    }
}
