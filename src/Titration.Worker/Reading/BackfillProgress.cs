using System.Globalization;
using Spectre.Console;

namespace Titration.Worker.Reading;

/// <summary>Shows how far a reading has come, with the rate and the time left: bars on a terminal, a line every few seconds elsewhere. For several readers at once.</summary>
/// <param name="bars">The terminal's; null: there is none.</param>
/// <param name="lines">Where lines go.</param>
/// <param name="time">The clock.</param>
internal sealed class BackfillProgress(ProgressContext? bars, TextWriter lines, TimeProvider time)
{
    private static readonly TimeSpan Every = TimeSpan.FromSeconds(5);

    private readonly Lock _lock = new();
    private readonly Dictionary<string, Phase> _phases = new(StringComparer.Ordinal);

    private sealed class Phase
    {
        public required ProgressTask? Bar { get; init; }

        public required long Since { get; init; }

        public required long Told { get; set; }

        public int Done { get; set; }

        public int? Total { get; set; }
    }

    public void Begin(string phase)
    {
        lock (_lock)
        {
            ProgressTask? bar = bars?.AddTask(phase, autoStart: true, maxValue: 1);
            bar?.IsIndeterminate(true);
            long now = time.GetTimestamp();
            _phases[phase] = new Phase { Bar = bar, Since = now, Told = now };
        }
    }

    /// <summary>How many there will be; 0 is soon done.</summary>
    public void Expect(string phase, int total)
    {
        lock (_lock)
        {
            Phase current = _phases[phase];
            current.Total = total;
            if (current.Bar is { } bar)
            {
                bar.IsIndeterminate(false);
                bar.MaxValue = Math.Max(total, 1);
            }
        }
    }

    public void Advance(string phase, int by)
    {
        lock (_lock)
        {
            Phase current = _phases[phase];
            current.Done += by;
            if (current.Bar is { } bar)
            {
                bar.Value = current.Total is null ? 0 : current.Done;
                bar.Description = $"{phase} {current.Done}{(current.Total is null ? "" : $" of {current.Total}")}";
            }
            else if (time.GetElapsedTime(current.Told) >= Every)
            {
                current.Told = time.GetTimestamp();
                lines.WriteLine(Words(phase, current));
            }
        }
    }

    public void End(string phase)
    {
        lock (_lock)
        {
            Phase current = _phases[phase];
            if (current.Bar is { } bar)
            {
                bar.IsIndeterminate(false);
                bar.Value = bar.MaxValue;
                bar.StopTask();
            }
            else
            {
                lines.WriteLine($"{phase}: {current.Done} in {time.GetElapsedTime(current.Since).TotalSeconds.ToString("0.0", CultureInfo.InvariantCulture)} s");
            }
        }
    }

    private string Words(string phase, Phase current)
    {
        double rate = current.Done / Math.Max(time.GetElapsedTime(current.Since).TotalSeconds, 0.001);
        string left = current.Total is { } total && rate > 0 ? $", about {TimeSpan.FromSeconds(Math.Max(total - current.Done, 0) / rate):h\\:mm\\:ss} left" : "";
        string of = current.Total is { } all ? $" of {all} ({100L * current.Done / Math.Max(all, 1)} %)" : "";
        return $"{phase}: {current.Done}{of}, {rate.ToString("0", CultureInfo.InvariantCulture)} a second{left}";
    }
}
