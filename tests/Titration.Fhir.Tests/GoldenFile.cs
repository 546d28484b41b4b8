using Titration.TestKit;
using Xunit;

namespace Titration.Fhir.Tests;

/// <summary>Compares text with a file under tests/; <c>UPDATE_GOLDEN=1</c> rewrites the file for review.</summary>
internal static class GoldenFile
{
    public static void Check(string actual, params string[] pathUnderTests)
    {
        string path = Repository.File(["tests", .. pathUnderTests]);
        if (Environment.GetEnvironmentVariable("UPDATE_GOLDEN") == "1")
        {
            Directory.CreateDirectory(Path.GetDirectoryName(path)!);
            File.WriteAllText(path, actual);
        }

        Assert.True(File.Exists(path), $"{path} is missing: run with UPDATE_GOLDEN=1 and review it.");
        Assert.Equal(File.ReadAllText(path), actual);
    }
}
