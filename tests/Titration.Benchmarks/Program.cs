using BenchmarkDotNet.Running;
using Titration.Benchmarks;

if (args is ["histories", string folder])
{
    HistoriesTiming.Run(folder, passes: 5);
    return;
}

BenchmarkSwitcher.FromAssembly(typeof(Program).Assembly).Run(args);
