using System.Reflection;

namespace Titration.TestKit;

/// <summary>Where the checkout is: tests read contracts/ and the shared example resources from there.</summary>
public static class Repository
{
    /// <summary>The absolute path of the repository root, with a trailing separator.</summary>
    public static string Root { get; } =
        typeof(Repository).Assembly.GetCustomAttributes<AssemblyMetadataAttribute>().Single(a => a.Key == "RepositoryRoot").Value!;

    /// <summary>An absolute path below the repository root.</summary>
    public static string File(params string[] parts) => Path.Combine([Root, .. parts]);
}
