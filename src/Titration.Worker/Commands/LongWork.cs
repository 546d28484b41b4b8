using Spectre.Console;

namespace Titration.Worker.Commands;

/// <summary>Progress of a command that may take long: on standard error, so that what it finds can be piped; nothing where nobody looks.</summary>
internal static class LongWork
{
    /// <param name="what">Such as <c>decisions</c>.</param>
    /// <param name="total">How many there are.</param>
    /// <param name="work">Is given what to call for each that is done.</param>
    public static async Task RunAsync(string what, long total, Func<Action<long>, Task> work)
    {
        if (Console.IsErrorRedirected || total == 0)
        {
            await work(_ => { });
            return;
        }

        IAnsiConsole console = AnsiConsole.Create(new AnsiConsoleSettings { Out = new AnsiConsoleOutput(Console.Error) });
        await console.Progress().AutoClear(true)
            .Columns(new TaskDescriptionColumn(), new ProgressBarColumn(), new PercentageColumn(), new RemainingTimeColumn())
            .StartAsync(async progress =>
            {
                ProgressTask task = progress.AddTask(what, maxValue: total);
                await work(done => task.Increment(done));
            });
    }
}
