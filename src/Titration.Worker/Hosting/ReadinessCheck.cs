using Microsoft.EntityFrameworkCore;
using Microsoft.Extensions.Diagnostics.HealthChecks;
using Titration.Storage;
using Titration.Storage.Ledger;
using Titration.Worker.Configuration;

namespace Titration.Worker.Hosting;

/// <summary>Ready: the database answers, and erased patients can be recognised. The bus reports itself.</summary>
public sealed class ReadinessCheck(IDbContextFactory<TitrationDbContext> contexts, Settings settings) : IHealthCheck
{
    public async Task<HealthCheckResult> CheckHealthAsync(HealthCheckContext context, CancellationToken cancellationToken = default)
    {
        await using TitrationDbContext database = await contexts.CreateDbContextAsync(cancellationToken);
        return !await database.Database.CanConnectAsync(cancellationToken) ? HealthCheckResult.Unhealthy("the database does not answer")
            : await database.FitsMarksAsync(settings.Marks?.OfKey, cancellationToken) ? HealthCheckResult.Healthy()
            : HealthCheckResult.Unhealthy(ErasureKeyException.Problem);
    }
}
