namespace Titration.TestKit;

/// <summary>A clock that runs like the real one but stands elsewhere, and can be moved on: days pass at once, timers stay real.</summary>
public sealed class ShiftedClock(DateTimeOffset start) : TimeProvider
{
    private long _offsetTicks = (start - System.GetUtcNow()).Ticks;

    public override DateTimeOffset GetUtcNow() => System.GetUtcNow() + TimeSpan.FromTicks(Interlocked.Read(ref _offsetTicks));

    /// <summary>Moves on to a later instant.</summary>
    public void MoveTo(DateTimeOffset instant)
    {
        TimeSpan ahead = instant - GetUtcNow();
        if (ahead < TimeSpan.Zero)
        {
            throw new ArgumentOutOfRangeException(nameof(instant), "Time does not run backwards.");
        }

        Interlocked.Add(ref _offsetTicks, ahead.Ticks);
    }
}
