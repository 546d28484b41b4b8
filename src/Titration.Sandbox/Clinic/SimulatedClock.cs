namespace Titration.Sandbox.Clinic;

/// <summary>A clock that stands until it is moved: months pass in seconds. The service itself has no such switch; only the demo brings one.</summary>
public sealed class SimulatedClock(DateTimeOffset start) : TimeProvider
{
    private DateTimeOffset _now = start;

    public override DateTimeOffset GetUtcNow() => _now;

    /// <summary>Moves to a later instant.</summary>
    public void MoveTo(DateTimeOffset instant) =>
        _now = instant >= _now ? instant : throw new ArgumentOutOfRangeException(nameof(instant), "Time does not run backwards.");
}
