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
        int code = await parsed.InvokeAsync();
        return parsed.Errors.Count > 0 ? ExitCode.Usage : code;
    default:
        BenchmarkSwitcher.FromAssembly(typeof(LoadCommand).Assembly).Run(args);
        return ExitCode.Done;
}
