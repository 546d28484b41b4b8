using Xunit.Sdk;
using Xunit.v3;

namespace Titration.Integration.Tests;

/// <summary>Runs the validation after everything else, so that it sees what the others left.</summary>
public sealed class LastOfAll : ITestCollectionOrderer
{
    /// <inheritdoc/>
    public IReadOnlyCollection<TTestCollection> OrderTestCollections<TTestCollection>(IReadOnlyCollection<TTestCollection> testCollections)
        where TTestCollection : ITestCollection =>
        [.. testCollections.OrderBy(c => c.TestCollectionDisplayName.Contains(nameof(ValidationTests), StringComparison.Ordinal))];
}
