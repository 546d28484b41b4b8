using System.CommandLine;
using BenchmarkDotNet.Running;
using Titration.Benchmarks;
using Titration.Benchmarks.Load;
using Titration.Worker.Commands;

switch (args)
{
    case ["histories", string folder]:
        HistoriesTiming.Run(folder, passes: 5);
        return ExitCode.Done;
    case ["load", .. string[] rest]:
        ParseResult parsed = LoadCommand.Create().Parse(rest);
        // Interrupted, it has its worker and its services to end.
        int code = await parsed.InvokeAsync(new InvocationConfiguration { ProcessTerminationTimeout = TimeSpan.FromMinutes(2) });
        return parsed.Errors.Count > 0 ? ExitCode.Usage : code;
    default:
        BenchmarkSwitcher.FromAssembly(typeof(LoadCommand).Assembly).Run(args);
        return ExitCode.Done;
}
