using Quartz;
using Titration.Storage;
using Titration.Worker.Configuration;
using Titration.Worker.Deciding;
using Titration.Worker.Reading;

namespace Titration.Worker.Hosting;

/// <summary>What Quartz triggers, persistent and clustered on PostgreSQL: a sweep over what has fallen due, the checkpoints of the ledger and, where it is set, a look at the FHIR server.</summary>
public static class Scheduling
{
    /// <summary>Its name; by it the scheduler has a clock of its own.</summary>
    private const string Scheduler = "titration";

    private static readonly JobKey Sweep = new("evaluate-due-courses");
    private static readonly JobKey Poll = new("poll-fhir-server");
    private static readonly JobKey Checkpoint = new("take-checkpoint");

    public static void Add(IServiceCollection services, Settings settings, Timing timing)
    {
        services.AddQuartz(Scheduler, quartz =>
        {
            quartz.ConfigureScheduler(scheduler => scheduler.GenerateInstanceId = true);
            // When to look is a matter of real time, and of the cluster's; what is due then is asked of the clock that decides.
            quartz.UseTimeProvider(TimeProvider.System);
            quartz.UsePersistentStore(store =>
            {
                store.ProvisionSchema();
                if (settings.Database.Provider == DatabaseProvider.Postgres)
                {
                    store.UsePostgres(settings.Database.ConnectionString);
                    store.UseClustering(cluster =>
                    {
                        cluster.CheckinInterval = timing.ClusterCheckIn;
                        cluster.CheckinMisfireThreshold = 2 * timing.ClusterCheckIn;
                    });
                }
                else
                {
                    store.UseSqlite(settings.Database.ConnectionString);
                }
            });
            quartz.AddJob<EvaluateDueCoursesJob>(job => job.WithIdentity(Sweep).StoreDurably());
            quartz.AddTrigger(trigger => trigger
                .WithIdentity("evaluate-due-courses")
                .ForJob(Sweep)
                .StartNow()
                .WithSimpleSchedule(schedule => schedule
                    .WithInterval(TimeSpan.FromSeconds(settings.Options.Sweep.EverySeconds))
                    .RepeatForever()
                    // A sweep that was missed is made up by the next one: it looks at everything due.
                    .WithMisfireInstruction(SimpleTriggerMisfireInstruction.NextWithRemainingCount)));
            quartz.AddJob<PollFhirServerJob>(job => job.WithIdentity(Poll).StoreDurably());
            if (settings.Options.FhirServer.PollSeconds > 0)
            {
                quartz.AddTrigger(trigger => trigger
                    .WithIdentity("poll-fhir-server")
                    .ForJob(Poll)
                    .StartNow()
                    .WithSimpleSchedule(schedule => schedule
                        .WithInterval(TimeSpan.FromSeconds(settings.Options.FhirServer.PollSeconds))
                        .RepeatForever()
                        .WithMisfireInstruction(SimpleTriggerMisfireInstruction.NextWithRemainingCount)));
            }
            quartz.AddJob<TakeCheckpointJob>(job => job.WithIdentity(Checkpoint).StoreDurably());
            quartz.AddTrigger(trigger => trigger
                .WithIdentity("take-checkpoint")
                .ForJob(Checkpoint)
                .StartNow()
                .WithSimpleSchedule(schedule => schedule
                    .WithInterval(TimeSpan.FromMinutes(settings.Options.Ledger.CheckpointMinutes))
                    .RepeatForever()
                    // The next one seals what a missed one would have.
                    .WithMisfireInstruction(SimpleTriggerMisfireInstruction.NextWithRemainingCount)));
        });
        services.AddQuartzHostedService(hosted =>
        {
            hosted.WaitForJobsToComplete = true;
            hosted.AwaitApplicationStarted = true;
        });
    }
}
