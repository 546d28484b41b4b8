namespace Titration.Worker.Hosting;

/// <summary>
/// How long the service waits before it tries again, or takes over from another worker. No setting: a clinic has nothing to gain from other values. Tests
/// bring shorter ones.
/// </summary>
public sealed record Timing
{
    /// <summary>What holds in earnest.</summary>
    public static readonly Timing Default = new();

    /// <summary>
    /// How long an entry of the outbox, or a patient of a sweep, belongs to the worker that claimed it: so long another waits for one who was killed. Prolonged
    /// four times in its length while somebody works on it. Default: 20 s.
    /// </summary>
    public TimeSpan Lease { get; init; } = TimeSpan.FromSeconds(20);

    /// <summary>Between two looks at an outbox that was empty; what this worker puts in itself wakes it at once. Default: 2 s.</summary>
    public TimeSpan OutboxIdle { get; init; } = TimeSpan.FromSeconds(2);

    /// <summary>Before an entry that the FHIR server did not take is tried again the first time; then it doubles. Default: 2 s.</summary>
    public TimeSpan Redelivery { get; init; } = TimeSpan.FromSeconds(2);

    /// <summary>The longest such wait that is not the server's own wish. Default: 5 min.</summary>
    public TimeSpan LongestRedelivery { get; init; } = TimeSpan.FromMinutes(5);

    /// <summary>The same for an emergency. Default: 15 s.</summary>
    public TimeSpan LongestStatRedelivery { get; init; } = TimeSpan.FromSeconds(15);

    /// <summary>Between two rounds over what waits for a reference. Default: 30 s.</summary>
    public TimeSpan WaitingEvery { get; init; } = TimeSpan.FromSeconds(30);

    /// <summary>How often a worker tells the cluster that it is there; after twice that its schedule is taken over. Default: 5 s.</summary>
    public TimeSpan ClusterCheckIn { get; init; } = TimeSpan.FromSeconds(5);

    /// <summary>Before a request to the FHIR server is repeated the first time; then it doubles, three times at most. Default: 200 ms.</summary>
    public TimeSpan RequestRetry { get; init; } = TimeSpan.FromMilliseconds(200);

    /// <summary>How long a FHIR server that fails nearly always is not asked at all. Default: 10 s.</summary>
    public TimeSpan CircuitBreak { get; init; } = TimeSpan.FromSeconds(10);
}
