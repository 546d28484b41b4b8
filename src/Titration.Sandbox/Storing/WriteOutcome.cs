namespace Titration.Sandbox.Storing;

/// <summary>What became of a write.</summary>
public enum WriteResult
{
    /// <summary>A resource that was not there before.</summary>
    Created,

    /// <summary>A further version of a resource that was there.</summary>
    Updated,

    /// <summary>A conditional create found the one resource that fits; nothing was written.</summary>
    AlreadyThere,

    /// <summary>A conditional create found two or more that fit; nothing was written.</summary>
    SeveralMatch,

    /// <summary>The current version is not the one the writer had seen, or there is none; nothing was written.</summary>
    VersionMismatch,
}

/// <summary>A write and the version that stands after it.</summary>
/// <param name="Stored">Null only for <see cref="WriteResult.SeveralMatch"/>, and for <see cref="WriteResult.VersionMismatch"/> where there is no such resource.</param>
public sealed record WriteOutcome(WriteResult Result, StoredVersion? Stored);
