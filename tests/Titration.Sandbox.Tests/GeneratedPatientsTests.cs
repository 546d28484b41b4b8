using Titration.Sandbox.Clinic;
using Xunit;

namespace Titration.Sandbox.Tests;

public sealed class GeneratedPatientsTests
{
    [Fact]
    public void A_seed_draws_the_same_patients_each_time_and_another_seed_others()
    {
        string[] patients = Draw(seed: 1);
        Assert.Equal(patients, Draw(seed: 1));
        Assert.NotEqual(patients, Draw(seed: 2));
    }

    [Fact]
    public void Among_many_there_is_every_temper_and_every_aftermath()
    {
        PatientStory[] stories = [.. GeneratedPatients.Of(287, first: 14, seed: 1)];
        Assert.Equal(stories.Length, stories.Select(s => s.Id).Distinct(StringComparer.Ordinal).Count());
        Assert.Equal(Enum.GetValues<Temper>(), stories.Select(s => s.Prescriber.Temper).Distinct().Order());
        Assert.Equal(Enum.GetValues<Aftermath>(), stories.SelectMany(s => Enumerable.Range(0, 12).Select(s.After)).Distinct().Order());
        Assert.Contains(stories, s => s.Happenings.Any(h => h.Code == "order:switch"));
    }

    private static string[] Draw(int seed) => [.. GeneratedPatients.Of(50, first: 14, seed).Select(s => $"{s.Id} {s.BirthYear} {s.StartsOn} {s.Plot}")];
}
