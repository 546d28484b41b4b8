namespace Titration.Storage.Model;

/// <summary>A task that tells the clinic's pool how many tasks wait unanswered. It names no patient.</summary>
public sealed class DigestRow
{
    /// <summary>The clinic-local date of the digest: its identity.</summary>
    public required DateOnly Date { get; init; }

    /// <summary>The Task's id on the FHIR server.</summary>
    public required string ServerId { get; init; }

    /// <summary>False once another digest has taken its place, or nothing waits any more.</summary>
    public required bool IsOpen { get; set; }
}
