using System.Text.Json.Serialization;

namespace Titration.Storage.Ledger;

/// <summary>What is wrong at a place of the ledger.</summary>
[JsonConverter(typeof(JsonStringEnumConverter<LedgerProblem>))]
public enum LedgerProblem
{
    /// <summary>The entry with this number is not there.</summary>
    [JsonStringEnumMemberName("entry-missing")] EntryMissing,

    /// <summary>The entry does not follow the one before: another was removed, put in, or changed with its hash.</summary>
    [JsonStringEnumMemberName("previous-hash-differs")] PreviousHashDiffers,

    /// <summary>The entry was changed.</summary>
    [JsonStringEnumMemberName("hash-differs")] HashDiffers,

    /// <summary>The content is not there, and no erasure that came after says why.</summary>
    [JsonStringEnumMemberName("content-missing")] ContentMissing,

    /// <summary>The content, its salt, or its place was changed.</summary>
    [JsonStringEnumMemberName("content-differs")] ContentDiffers,

    /// <summary>The chain ends elsewhere than recorded: entries were removed from its end, or put there.</summary>
    [JsonStringEnumMemberName("end-differs")] EndDiffers,

    /// <summary>The facts that the decision knew are others now.</summary>
    [JsonStringEnumMemberName("known-facts-differ")] KnownFactsDiffer,

    /// <summary>The erasure was not signed with the clinic's key, although the patient had been sealed by a signed checkpoint before.</summary>
    [JsonStringEnumMemberName("erasure-unsigned")] ErasureUnsigned,

    /// <summary>The fact with this number is not there.</summary>
    [JsonStringEnumMemberName("fact-missing")] FactMissing,

    /// <summary>The fact, its salt, its hash or its place was changed.</summary>
    [JsonStringEnumMemberName("fact-differs")] FactDiffers,

    /// <summary>The facts end elsewhere than recorded.</summary>
    [JsonStringEnumMemberName("fact-end-differs")] FactEndDiffers,

    /// <summary>The patient's chain is not there.</summary>
    [JsonStringEnumMemberName("chain-missing")] ChainMissing,

    /// <summary>Rows that belong to nothing: facts without their patient, entries without their chain, contents without their entry.</summary>
    [JsonStringEnumMemberName("stray-rows")] StrayRows,

    /// <summary>A value that was not written by any version of this service.</summary>
    [JsonStringEnumMemberName("unreadable")] Unreadable,

    /// <summary>The content of a policy by which was decided is not there.</summary>
    [JsonStringEnumMemberName("policy-missing")] PolicyMissing,

    /// <summary>The content of a policy is not what its hash says.</summary>
    [JsonStringEnumMemberName("policy-differs")] PolicyDiffers,

    /// <summary>The checkpoint with this number is not in the database.</summary>
    [JsonStringEnumMemberName("checkpoint-missing")] CheckpointMissing,

    /// <summary>The checkpoint's hash is not that of the ends it seals and of the checkpoint before.</summary>
    [JsonStringEnumMemberName("checkpoint-differs")] CheckpointDiffers,

    /// <summary>The checkpoint is not signed, and an earlier one is.</summary>
    [JsonStringEnumMemberName("checkpoint-unsigned")] CheckpointUnsigned,

    /// <summary>The signature is by none of the trusted keys, or over something else.</summary>
    [JsonStringEnumMemberName("signature-invalid")] SignatureInvalid,

    /// <summary>The decision that the checkpoint sealed as the chain's end is not in the chain: it was changed or removed at or before that place.</summary>
    [JsonStringEnumMemberName("sealed-end-differs")] SealedEndDiffers,

    /// <summary>The fact that the checkpoint sealed as the newest is not there: one was changed or removed at or before that place.</summary>
    [JsonStringEnumMemberName("sealed-facts-differ")] SealedFactsDiffer,

    /// <summary>The checkpoint in the database is not the one that was exported.</summary>
    [JsonStringEnumMemberName("exported-differs")] ExportedDiffers,

    /// <summary>Exported checkpoints before and after this one are there, and it is not.</summary>
    [JsonStringEnumMemberName("exported-missing")] ExportedMissing,

    /// <summary>The file of an exported checkpoint was changed: it does not hold together.</summary>
    [JsonStringEnumMemberName("exported-broken")] ExportedBroken,
}

/// <summary>Something wrong with the ledger, and where.</summary>
/// <param name="Problem">What.</param>
/// <param name="Chain">In which chain.</param>
/// <param name="Patient">Whose it is; null where nobody's any more.</param>
/// <param name="Sequence">At which place of it, from 1; for a checkpoint: at or before it.</param>
/// <param name="Checkpoint">Which checkpoint says so.</param>
/// <param name="Policy">Which policy.</param>
public sealed record LedgerFinding(
    LedgerProblem Problem, Guid? Chain = null, string? Patient = null, long? Sequence = null, long? Checkpoint = null, string? Policy = null);
