namespace Titration.Storage.Model;

/// <summary>
/// A patient: the unit of consistency. Whoever changes anything of a patient saves this row with it, and the version token
/// lets only one of two do so.
/// </summary>
public sealed class PatientRow
{
    /// <summary>The logical id on the clinic's server.</summary>
    public required string Id { get; init; }

    /// <summary>Concurrency token; raised by one whenever anything of the patient is saved.</summary>
    public long Version { get; set; }

    public long NextFactSequence { get; set; }

    public long NextOutboxSequence { get; set; }

    /// <summary>Names the patient's chain of decisions. Random and not derived, so that an erased patient cannot be guessed from it.</summary>
    public required Guid ChainId { get; init; }

    /// <summary>When time alone may change a result; null: never, without new facts.</summary>
    public DateTimeOffset? NextLook { get; set; }

    /// <summary>The instant of the newest decision: no later evaluation may lie before it.</summary>
    public DateTimeOffset? LastDecidedAt { get; set; }

    /// <summary>Until then another sweep looks at the patient; null: nobody does.</summary>
    public DateTimeOffset? LeasedUntil { get; set; }
}

/// <summary>
/// What remains of an erased patient: a keyed hash of the id, made with the clinic's key, by which a late or repeated
/// message is recognised and not taken in again.
/// </summary>
public sealed class ErasedPatientRow
{
    public required byte[] Mark { get; init; }

    public required DateTimeOffset ErasedAt { get; init; }
}
