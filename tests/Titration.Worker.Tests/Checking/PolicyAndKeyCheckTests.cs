using System.Runtime.Versioning;
using Microsoft.Extensions.Configuration;
using Titration.Storage.Ledger;
using Titration.Storage.Model;
using Titration.Worker.Checking;
using Titration.Worker.Configuration;
using Xunit;

namespace Titration.Worker.Tests.Checking;

/// <summary>What <c>titration check</c> says of the adopted policy and of the privacy key.</summary>
public sealed class PolicyAndKeyCheckTests
{
    private const string Key = "k7Qw9zR2mN4pL8sT1vX3yB5dF6gH0jKc";

    private static readonly DateTimeOffset Now = new(2026, 3, 2, 8, 0, 0, TimeSpan.Zero);
    private static readonly string Other = new('b', 64);

    [Fact]
    public void The_policy_in_force_is_named_with_its_date_and_one_that_is_not_the_configured_one_is_wrong()
    {
        Settings settings = Clinic();
        string own = settings.Policy.Hash;

        Assert.Equal((CheckState.Ok, $"none yet: the first start adopts the configured one, {own[..12]}"), StateOf(settings));
        Assert.Equal((CheckState.Ok, $"{own[..12]}, the configured one, in force since 2026-03-01 08:00Z"), StateOf(settings, (own, -1)));
        Assert.Equal(
            (CheckState.Ok, $"{own[..12]}, the configured one, in force since 2026-03-01 08:00Z; from 2026-03-03 08:00Z on bbbbbbbbbbbb"), StateOf(settings, (own, -1), (Other, 1)));
        Assert.Equal((CheckState.Wrong, $"bbbbbbbbbbbb is in force since 2026-03-01 08:00Z; configured is {own[..12]}"), StateOf(settings, (own, -2), (Other, -1)));
        Assert.Equal(CheckState.Warning, StateOf(settings, (Other, -1), (own, 1)).State);
        Assert.Contains("titration protocol adopt", Row(settings, (Other, -1)).Remedy, StringComparison.Ordinal);
    }

    [Fact]
    [UnsupportedOSPlatform("windows")]
    public void Of_the_key_it_says_how_long_it_is_and_who_can_read_it_and_never_the_key()
    {
        using TemporaryFolder folder = new();
        string file = folder.File("Titration__Privacy__Key");
        File.WriteAllText(file, Key);

        Assert.Equal(CheckState.Warning, PrivacyKeyCheck.Of("", inEnvironment: false, folder.Path).State);
        Assert.Equal(CheckState.Warning, PrivacyKeyCheck.Of(new string('a', 40), inEnvironment: false, folder.Path).State);
        Assert.Equal((CheckState.Ok, "32 characters, from the environment"), Seen(PrivacyKeyCheck.Of(Key, inEnvironment: true, folder.Path)));
        File.SetUnixFileMode(file, UnixFileMode.UserRead | UnixFileMode.GroupRead);
        Assert.Equal((CheckState.Ok, $"32 characters, from {file}, mode 0440"), Seen(PrivacyKeyCheck.Of(Key, inEnvironment: false, folder.Path)));
        File.SetUnixFileMode(file, UnixFileMode.UserRead | UnixFileMode.OtherRead);
        CheckRow open = PrivacyKeyCheck.Of(Key, inEnvironment: false, folder.Path);
        Assert.Equal((CheckState.Warning, $"32 characters, from {file}, mode 0404: everybody on the machine can get at it"), Seen(open));
        Assert.DoesNotContain(Key, open.ToString(), StringComparison.Ordinal);
        Assert.Contains("appsettings.json", PrivacyKeyCheck.Of(Key, inEnvironment: false, folder.File("nowhere")).Seen, StringComparison.Ordinal);
    }

    private static Settings Clinic() =>
        Settings.From(new ConfigurationBuilder().AddInMemoryCollection([new("Titration:FhirServer:BaseUrl", "https://fhir.clinic.example.org/r4")]).Build(), [])!;

    private static CheckRow Row(Settings settings, params (string Hash, int Day)[] adoptions) =>
        PolicyCheck.Of(new PolicyAdoptions(adoptions.Select(a => new PolicyAdoptionRow { PolicyHash = a.Hash, EffectiveFrom = Now.AddDays(a.Day), AdoptedAt = Now.AddDays(-3) })), settings, Now);

    private static (CheckState State, string Seen) StateOf(Settings settings, params (string Hash, int Day)[] adoptions) => Seen(Row(settings, adoptions));

    private static (CheckState State, string Seen) Seen(CheckRow row) => (row.State, row.Seen);
}
