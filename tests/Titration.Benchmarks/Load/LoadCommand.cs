using System.Collections.Immutable;
using System.CommandLine;
using Titration.Worker.Commands;

namespace Titration.Benchmarks.Load;

/// <summary><c>load</c>: the whole service under load, with a broker, a database and a FHIR endpoint of its own.</summary>
internal static class LoadCommand
{
    private static readonly Option<string?> Json = new("--json") { Description = "also write the figures, each round's among them, to this file", HelpName = "FILE", Recursive = true };

    private static readonly Option<string?> Standing = new("--services")
    {
        Description = "use what POSTGRES_DURABLE=1 tests/services/up.sh DIR has started, instead of starting and ending it",
        HelpName = "DIR",
        Recursive = true,
    };

    private static readonly Option<string?> Published = new("--published")
    {
        Description = "measure the service as it was published into this folder, with the code that a release has, and not as it was built beside the benchmarks",
        HelpName = "DIR",
        Recursive = true,
    };

    private static readonly Option<int> Rounds = Number("--rounds", 5, "rounds; one more before them warms up");
    private static readonly Option<int> Messages = Number("--messages", 20_000, "messages in a round");
    private static readonly Option<int> Courses = Number("--courses", 100_000, "courses that fall due");
    private static readonly Option<int> Seconds = Number("--seconds", 30, "seconds for which messages come at a fixed rate");
    private static readonly Option<int[]> Rates = Numbers("--rates", [10, 50, 100], "messages a second");
    private static readonly Option<int[]> Sizes = Numbers("--sizes", [1000, 100_000, 1_000_000], "courses in the database");

    private static readonly ImmutableArray<Part> Parts =
    [
        new(InboundPart.Name, "Messages a second, read, evaluated and committed, against bare inserts and bare consumers of the same bytes.", [Messages, Rounds],
            (services, parsed, token) => InboundPart.RunAsync(services, parsed.GetValue(Messages), parsed.GetValue(Rounds), token)),
        new(SweepPart.Name, "A whole caseload falls due at once: seconds, and the worker's memory.", [Courses],
            (services, parsed, token) => SweepPart.RunAsync(services, parsed.GetValue(Courses), token)),
        new(LatencyPart.Name, "From a message published to what follows from it on the FHIR server, at fixed rates.", [Rates, Seconds],
            (services, parsed, token) => LatencyPart.RunAsync(services, parsed.GetValue(Rates)!, parsed.GetValue(Seconds), token)),
        new(OverloadPart.Name, "Twice as many messages as can be taken in, for a while: the worker's memory, and the time until nothing waits any more.", [Seconds],
            (services, parsed, token) => OverloadPart.RunAsync(services, parsed.GetValue(Seconds), token)),
        new(WorkersPart.Name, "One worker to two.", [Messages, Rounds],
            (services, parsed, token) => WorkersPart.RunAsync(services, parsed.GetValue(Messages), parsed.GetValue(Rounds), token)),
        new(GrowthPart.Name, "What a message, a due look and a look at the due list cost by the number of courses in the database.", [Sizes],
            (services, parsed, token) => GrowthPart.RunAsync(services, parsed.GetValue(Sizes)!, token)),
    ];

    public static RootCommand Create()
    {
        RootCommand root = new("""
            Measures the service under load: `titration run` as a process of its own, on RabbitMQ, PostgreSQL with every commit on the disk and a FHIR endpoint, which are
            started on free ports and ended again. Needs what test.sh needs. Run it on a machine that does nothing else.

              dotnet run --project tests/Titration.Benchmarks -c Release -- load inbound
              dotnet run --project tests/Titration.Benchmarks -c Release -- load all --json figures.json
            """)
        {
            Json,
            Standing,
            Published,
        };
        foreach (Part part in Parts)
        {
            root.Add(CommandOf(part.Name, part.Description, [part]));
        }

        root.Add(CommandOf("all", "Every part, one after the other; what each has measured is there when it ends.", Parts));
        return root;
    }

    private static Command CommandOf(string name, string description, ImmutableArray<Part> parts)
    {
        Command command = new(name, description);
        foreach (Option option in parts.SelectMany(p => p.Options).Distinct())
        {
            command.Add(option);
        }

        command.SetAction(async (parsed, cancellationToken) =>
        {
            try
            {
                await using LoadServices services = await LoadServices.StartAsync(parsed.GetValue(Standing), parsed.GetValue(Published), cancellationToken);
                ImmutableArray<Figure> figures = [];
                foreach (Part part in parts)
                {
                    ImmutableArray<Figure> measured = await part.RunAsync(services, parsed, cancellationToken);
                    LoadReport.Write(measured);
                    figures = [.. figures, .. measured];
                    if (parsed.GetValue(Json) is { } file)
                    {
                        await LoadReport.SaveAsync(figures, file, cancellationToken);
                    }
                }

                return ExitCode.Done;
            }
            catch (Exception problem) when (problem is InvalidOperationException or TimeoutException)
            {
                await Console.Error.WriteLineAsync($"load: {problem.Message}");
                return ExitCode.Found;
            }
        });
        return command;
    }

    private static Option<int> Number(string name, int standard, string description) =>
        new(name) { Description = description, DefaultValueFactory = _ => standard, CustomParser = r => WholeNumbers.Of(r)[0], HelpName = "N" };

    private static Option<int[]> Numbers(string name, int[] standard, string description) => new(name)
    {
        Description = description,
        DefaultValueFactory = _ => standard,
        CustomParser = r => WholeNumbers.Of(r),
        HelpName = "N",
        AllowMultipleArgumentsPerToken = true,
    };

    private sealed record Part(
        string Name, string Description, ImmutableArray<Option> Options, Func<LoadServices, ParseResult, CancellationToken, Task<ImmutableArray<Figure>>> RunAsync);
}
