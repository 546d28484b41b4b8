using System.Collections.Immutable;
using System.CommandLine;
using System.Data.Common;
using System.Globalization;
using Microsoft.Data.Sqlite;
using Microsoft.EntityFrameworkCore;
using Spectre.Console;
using Titration.Protocol.Decisions;
using Titration.Storage;
using Titration.Storage.Intake;
using Titration.Worker.Configuration;
using Titration.Worker.Hosting;
using Titration.Worker.Reading;

namespace Titration.Worker.Commands;

/// <summary><c>titration backfill</c>.</summary>
internal static class BackfillCommand
{
    private static readonly Option<bool> Apply = new("--apply") { Description = "Take it in. Without: say what it would come to, and keep nothing" };
    private static readonly Option<bool> DryRun = new("--dry-run") { Description = "Say what it would come to, and keep nothing: the default" };
    private static readonly Option<string?> Since = new("--since") { Description = "Leave out what was last changed before this date (YYYY-MM-DD). An order of years ago may still be in force: without it, everything is read" };
    private static readonly Option<int> PageSize = new("--page-size")
    {
        Description = "Resources asked for at once, 1 to 1000",
        DefaultValueFactory = _ => 100,
        CustomParser = r => WholeNumbers.Of(r, 1000)[0],
    };

    private static readonly Option<int> AtOnce = new("--parallel")
    {
        Description = "Requests at once, 1 to 4: each reads another resource type",
        DefaultValueFactory = _ => 1,
        CustomParser = r => WholeNumbers.Of(r, 4)[0],
    };

    private static readonly Option<bool> Again = new("--again") { Description = "With --apply: start at the beginning, whatever was read before" };
    private static readonly Option<bool> AsJson = new("--json") { Description = "The result as JSON; what was counted, and each course with what would stand today" };

    public static Command Create()
    {
        Command command = new("backfill", """
            Takes in the MedicationRequests, Observations and answered Tasks that the FHIR server holds already. First without --apply: it says which patients
            would be followed, which codes no mapping knows, what could not be read, and what would be proposed today.

              titration backfill
              titration backfill --apply

            One request at a time; Retry-After is honoured. Interrupted, it goes on where it was when it is called again; nothing is taken in twice. All
            records of a patient are taken in together, so that nothing is proposed from half a history. It may run beside the service.

            Exit code 0: done; 1: the server cannot be searched, or something could not be read.
            """)
        {
            Apply,
            DryRun,
            Since,
            PageSize,
            AtOnce,
            Again,
            AsJson,
        };
        command.SetAction(RunAsync);
        return command;
    }

    private static async Task<int> RunAsync(ParseResult parsed, CancellationToken cancellationToken)
    {
        bool apply = parsed.GetValue(Apply);
        if ((apply && parsed.GetValue(DryRun)) || (!apply && parsed.GetValue(Again)))
        {
            return Records.Refuse(apply ? "--apply and --dry-run exclude each other" : "--again means something with --apply only");
        }

        DateTimeOffset? since = null;
        if (parsed.GetValue(Since) is { } text)
        {
            if (!DateOnly.TryParseExact(text, "yyyy-MM-dd", CultureInfo.InvariantCulture, DateTimeStyles.None, out DateOnly date))
            {
                return Records.Refuse($"--since: \"{text}\" is no date such as 2025-06-30");
            }

            since = new DateTimeOffset(date, TimeOnly.MinValue, TimeSpan.Zero);
        }

        if (CommandSettings.Load() is not { } settings)
        {
            return ExitCode.Usage;
        }

        BackfillRequest request = new(since, parsed.GetValue(PageSize), parsed.GetValue(AtOnce));
        await using ServiceProvider parts = TitrationHost.BuildParts(settings, TimeProvider.System);
        try
        {
            return apply
                ? await ApplyAsync(parts, settings, request, parsed.GetValue(Again), parsed.GetValue(AsJson), cancellationToken)
                : await PreviewAsync(parts, settings, request, parsed.GetValue(AsJson), cancellationToken);
        }
        catch (FhirSearchException problem)
        {
            Console.Error.WriteLine($"titration: {problem.Message}.{(apply ? " Call it again: it goes on where it was." : "")}");
            return ExitCode.Found;
        }
        catch (OperationCanceledException) when (cancellationToken.IsCancellationRequested)
        {
            Console.Error.WriteLine($"titration: interrupted.{(apply ? " Call it again: it goes on where it was." : "")}");
            return ExitCode.Found;
        }
        catch (DbException problem)
        {
            return Records.Refuse($"the database cannot be used ({problem.GetType().Name} {problem.SqlState}); check Titration__Database__ConnectionString");
        }
    }

    private static async Task<int> ApplyAsync(
        ServiceProvider parts, Settings settings, BackfillRequest request, bool again, bool asJson, CancellationToken cancellationToken)
    {
        await using (TitrationDbContext database = await parts.GetRequiredService<IDbContextFactory<TitrationDbContext>>().CreateDbContextAsync(cancellationToken))
        {
            if (settings.Database.Provider == DatabaseProvider.Sqlite)
            {
                Directory.CreateDirectory(settings.Options.DataFolder);
                await database.MigrateAsync(cancellationToken);
            }
            else if (!(await database.SchemaStateAsync(cancellationToken)).IsCurrent)
            {
                return Records.Refuse("the database's schema does not fit this version; run: titration database migrate");
            }

            if (again)
            {
                await database.ForgetReadingAsync(Backfill.Purpose, cancellationToken);
            }
        }

        ReadingFigures figures = new();
        int patients = await WithProgressAsync(progress => parts.GetRequiredService<Backfill>().ApplyAsync(request, figures, progress, cancellationToken));
        BackfillOutput.WriteApplied(figures, patients, asJson);
        return figures.Unreadable.IsEmpty ? ExitCode.Done : ExitCode.Found;
    }

    private static async Task<int> PreviewAsync(ServiceProvider parts, Settings settings, BackfillRequest request, bool asJson, CancellationToken cancellationToken)
    {
        ReadingFigures figures = new();
        IDbContextFactory<TitrationDbContext>? database = await IsThereAsync(parts, settings, cancellationToken) ? parts.GetRequiredService<IDbContextFactory<TitrationDbContext>>() : null;
        BackfillPreview preview = new(parts.GetRequiredService<Backfill>(), parts.GetRequiredService<ResourceSorter>(), settings, TimeProvider.System);
        ImmutableArray<Evaluation> evaluations = await WithProgressAsync(progress => preview.RunAsync(request, database, figures, progress, cancellationToken));
        BackfillOutput.WritePreview(figures, evaluations, asJson);
        return figures.Unreadable.IsEmpty ? ExitCode.Done : ExitCode.Found;
    }

    // A dry run comes before the first start, when there may be no database.
    private static async Task<bool> IsThereAsync(ServiceProvider parts, Settings settings, CancellationToken cancellationToken)
    {
        if (settings.Database.Provider == DatabaseProvider.Sqlite && !File.Exists(new SqliteConnectionStringBuilder(settings.Database.ConnectionString).DataSource))
        {
            return false;
        }

        await using TitrationDbContext database = await parts.GetRequiredService<IDbContextFactory<TitrationDbContext>>().CreateDbContextAsync(cancellationToken);
        return (await database.SchemaStateAsync(cancellationToken)).IsCurrent;
    }

    private static async Task<T> WithProgressAsync<T>(Func<BackfillProgress, Task<T>> work)
    {
        if (Console.IsErrorRedirected || Console.IsOutputRedirected)
        {
            return await work(new BackfillProgress(null, Console.Error, TimeProvider.System));
        }

        IAnsiConsole errors = AnsiConsole.Create(new AnsiConsoleSettings { Out = new AnsiConsoleOutput(Console.Error) });
        return await errors.Progress()
            .Columns(new TaskDescriptionColumn(), new ProgressBarColumn(), new PercentageColumn(), new RateColumn(), new RemainingTimeColumn())
            .StartAsync(context => work(new BackfillProgress(context, Console.Error, TimeProvider.System)));
    }

    private sealed class RateColumn : ProgressColumn
    {
        public override Spectre.Console.Rendering.IRenderable Render(Spectre.Console.Rendering.RenderOptions options, ProgressTask task, TimeSpan deltaTime) =>
            new Text(task.Speed is { } speed ? $"{speed.ToString("0", CultureInfo.InvariantCulture)}/s" : "");
    }
}
