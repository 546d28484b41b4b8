using Titration.Sandbox.Storing;

namespace Titration.Sandbox.Searching;

/// <summary>One page of a search.</summary>
/// <param name="Next">Where the following page begins (the value of <c>_page</c>); null on the last one.</param>
public sealed record SearchPage(IReadOnlyList<StoredVersion> Found, long? Next);
