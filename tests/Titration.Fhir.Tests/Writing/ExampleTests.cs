using Hl7.Fhir.Model;
using Xunit;

namespace Titration.Fhir.Tests.Writing;

public sealed class ExampleTests
{
    [Fact]
    public void What_is_written_is_what_the_examples_show()
    {
        bool update = Environment.GetEnvironmentVariable("UPDATE_GOLDEN") == "1";
        List<string> different = [];
        foreach ((string file, Resource resource) in Examples.Written())
        {
            string path = Path.Combine(Examples.Folder, file);
            string written = R4.Serialize(resource);
            if (update)
            {
                Directory.CreateDirectory(Examples.Folder);
                File.WriteAllText(path, written);
            }
            else if (!File.Exists(path) || File.ReadAllText(path) != written)
            {
                different.Add(file);
            }
        }

        Assert.True(different.Count == 0, $"Run once with UPDATE_GOLDEN=1 and read the diff of: {string.Join(", ", different)}");
    }

    [Fact]
    public void No_example_is_left_over()
    {
        IEnumerable<string> expected = Examples.Written().Keys.Concat(Examples.Inputs).Order(StringComparer.Ordinal);
        Assert.Equal(expected, Directory.GetFiles(Examples.Folder).Select(p => Path.GetFileName(p)).Order(StringComparer.Ordinal), StringComparer.Ordinal);
    }

    [Fact]
    public void Writing_again_gives_the_same_bytes()
    {
        Assert.Equal(Examples.Written().Values.Select(R4.Serialize), Examples.Written().Values.Select(R4.Serialize), StringComparer.Ordinal);
    }
}
