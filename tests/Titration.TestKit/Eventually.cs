using System.Diagnostics;

namespace Titration.TestKit;

/// <summary>Waits for a condition instead of for a time: asked again and again until it holds or the deadline has passed.</summary>
public static class Eventually
{
    private static readonly TimeSpan Patience = TimeSpan.FromMinutes(2);
    private static readonly TimeSpan Pause = TimeSpan.FromMilliseconds(40);

    /// <summary>Asks until the answer is as wanted, and returns it. What throws is asked again: a part may be down meanwhile.</summary>
    /// <param name="what">What is waited for, for the message of a failure.</param>
    /// <param name="ask">Gets the answer.</param>
    /// <param name="isWanted">Whether the answer is the one waited for.</param>
    /// <param name="cancellationToken">Ends the wait.</param>
    /// <param name="within">The deadline; two minutes where it is not said.</param>
    /// <param name="every">Between an answer and the next question; 40 milliseconds where it is not said.</param>
    public static async Task<T> BecomesAsync<T>(
        string what, Func<Task<T>> ask, Func<T, bool> isWanted, CancellationToken cancellationToken, TimeSpan? within = null, TimeSpan? every = null)
    {
        Stopwatch waited = Stopwatch.StartNew();
        string last = "no answer";
        while (waited.Elapsed < (within ?? Patience))
        {
            try
            {
                T answer = await ask();
                if (isWanted(answer))
                {
                    return answer;
                }

                last = answer is System.Collections.IEnumerable many and not string ? $"{many.Cast<object>().Count()}: {string.Join("; ", many.Cast<object>())}" : $"{answer}";
            }
            catch (Exception problem) when (problem is not OperationCanceledException)
            {
                last = $"{problem.GetType().Name}: {problem.Message}";
            }

            await Task.Delay(every ?? Pause, cancellationToken);
        }

        throw new TimeoutException($"Waited {waited.Elapsed.TotalSeconds:0} s for {what}; the last answer was: {last}");
    }

    /// <summary>Waits until a condition holds.</summary>
    public static Task HoldsAsync(
        string what, Func<Task<bool>> condition, CancellationToken cancellationToken, TimeSpan? within = null, TimeSpan? every = null) =>
        BecomesAsync(what, condition, holds => holds, cancellationToken, within, every);

    /// <summary>Waits until there are so many of something, and no more.</summary>
    public static Task<IReadOnlyList<T>> CountsAsync<T>(
        string what, int wanted, Func<Task<IReadOnlyList<T>>> ask, CancellationToken cancellationToken, TimeSpan? within = null) =>
        BecomesAsync($"{wanted} {what}", ask, all => all.Count == wanted, cancellationToken, within);
}
