using Microsoft.EntityFrameworkCore;
using Microsoft.Extensions.Diagnostics.HealthChecks;
using Titration.Storage;
using Titration.Storage.Ledger;
using Titration.Worker.Configuration;
using Titration.Worker.Deciding;

namespace Titration.Worker.Hosting;

/// <summary>Ready: the database answers, and erased patients can be recognised, and the policy is in force. The bus reports itself.</summary>
public sealed class ReadinessCheck(IDbContextFactory<TitrationDbContext> contexts, Settings settings, PolicyGate policy) : IHealthCheck
{
    public async Task<HealthCheckResult> CheckHealthAsync(HealthCheckContext context, CancellationToken cancellationToken = default)
    {
        await using TitrationDbContext database = await contexts.CreateDbContextAsync(cancellationToken);
        return !await database.Database.CanConnectAsync(cancellationToken) ? HealthCheckResult.Unhealthy("the database does not answer")
            : !await database.FitsMarksAsync(settings.Marks?.OfKey, cancellationToken) ? HealthCheckResult.Unhealthy(ErasureKeyException.Problem)
            : await policy.ProblemAsync(cancellationToken) is { } problem ? HealthCheckResult.Unhealthy(problem)
            : HealthCheckResult.Healthy();
    }
}
