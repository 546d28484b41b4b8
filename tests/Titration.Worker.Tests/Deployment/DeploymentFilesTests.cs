using System.Collections;
using System.Diagnostics;
using System.Reflection;
using System.Text.RegularExpressions;
using k8s;
using k8s.Models;
using Titration.TestKit;
using Titration.Worker.Configuration;
using Xunit;

namespace Titration.Worker.Tests.Deployment;

/// <summary>What clinic IT takes from deploy/ and the documents, against the program. The manifests are read by the Kubernetes project's own client.</summary>
public sealed partial class DeploymentFilesTests
{
    private static readonly string[] Manifests = Directory.GetFiles(Repository.File("deploy", "kubernetes"), "*.yaml");

    public static TheoryData<string> FilesWithSettings =>
    [
        .. new[] { "docker-compose.yml", "README.md", "SECURITY.md", "deploy/titration.service", "deploy/make-secrets.sh", "deploy/Dockerfile" }
            .Concat(Manifests.Select(m => $"deploy/kubernetes/{Path.GetFileName(m)}"))
            .Concat(Directory.GetFiles(Repository.File("docs"), "*.md").Select(d => $"docs/{Path.GetFileName(d)}")),
    ];

    [Theory]
    [MemberData(nameof(FilesWithSettings))]
    public void Every_setting_that_is_named_exists(string file)
    {
        string text = File.ReadAllText(Repository.File(file.Split('/')));
        Assert.All(SettingName().Matches(text).Select(m => m.Value).Distinct(StringComparer.Ordinal), name => Assert.True(Exists(name), name));
    }

    [Fact]
    public void The_check_of_settings_sees_one_that_does_not_exist()
    {
        Assert.True(Exists("Titration__Broker__Tls__CaFile"));
        Assert.False(Exists("Titration__Broker__Tls__CaFiles"));
        Assert.False(Exists("Titration__Brokers__Uri"));
    }

    [Fact]
    public void The_image_and_the_systemd_unit_tell_the_runtime_the_same()
    {
        string[] image = RuntimeSettings("deploy/Dockerfile");

        Assert.Contains("DOTNET_GCgen0size=0x3000000", image);
        Assert.Equal(image, RuntimeSettings("deploy/titration.service"));

        static string[] RuntimeSettings(string file) =>
            [.. RuntimeSetting().Matches(File.ReadAllText(Repository.File(file.Split('/')))).Select(m => m.Value).Order(StringComparer.Ordinal)];
    }

    [Fact]
    public void The_Kubernetes_manifests_are_what_the_Kubernetes_API_takes()
    {
        List<object> all = [.. Manifests.SelectMany(Objects)];

        Assert.Single(all.OfType<V1Deployment>());
        Assert.Single(all.OfType<V1Job>());
        Assert.Single(all.OfType<V1PodDisruptionBudget>());
    }

    [Fact]
    public void A_manifest_with_a_field_that_Kubernetes_does_not_know_is_seen() =>
        Assert.ThrowsAny<Exception>(() => Read(File.ReadAllText(Repository.File("deploy", "kubernetes", "deployment.yaml")).Replace("replicas:", "replica:", StringComparison.Ordinal)));

    [Fact]
    public void Every_container_runs_without_root_on_a_file_system_that_it_cannot_write_to()
    {
        V1PodSpec[] pods = [.. Manifests.SelectMany(Objects).Select(o => o switch { V1Deployment d => d.Spec.Template.Spec, V1Job j => j.Spec.Template.Spec, _ => null }).OfType<V1PodSpec>()];

        Assert.Equal(2, pods.Length);
        Assert.All(pods, pod =>
        {
            Assert.True(pod.SecurityContext.RunAsNonRoot);
            Assert.All(pod.Containers, container =>
            {
                Assert.True(container.SecurityContext.ReadOnlyRootFilesystem);
                Assert.False(container.SecurityContext.AllowPrivilegeEscalation);
                Assert.Contains("ALL", container.SecurityContext.Capabilities.Drop);
                Assert.Matches(":[0-9]", container.Image);
            });
        });
    }

    [Fact]
    public void Two_workers_run_in_Kubernetes_and_in_compose()
    {
        Assert.Equal(2, Manifests.SelectMany(Objects).OfType<V1Deployment>().Single().Spec.Replicas);
        Assert.Matches(@"(?m)^  worker:", File.ReadAllText(Repository.File("docker-compose.yml")));
        Assert.Matches(@"(?m)^  worker-2:", File.ReadAllText(Repository.File("docker-compose.yml")));
    }

    [Fact]
    public void Every_secret_of_the_compose_file_is_written_by_the_script_that_makes_them()
    {
        string compose = File.ReadAllText(Repository.File("docker-compose.yml"));
        string script = File.ReadAllText(Repository.File("deploy", "make-secrets.sh"));
        string[] files = [.. SecretFile().Matches(compose).Select(m => m.Groups["name"].Value).Distinct(StringComparer.Ordinal)];

        Assert.NotEmpty(files);
        // certify NAME writes NAME.key and NAME.pem.
        Assert.All(files, file => Assert.True(script.Contains($"secrets/{file}", StringComparison.Ordinal) || script.Contains($"certify {Path.GetFileNameWithoutExtension(file)}", StringComparison.Ordinal), file));
    }

    [Theory]
    [InlineData("docker-compose.yml", @"image: (?!titration$)(?<image>\S+)")]
    [InlineData("deploy/Dockerfile", @"^FROM (?<image>\S+)")]
    public void Every_image_of_others_has_a_version(string file, string pattern)
    {
        string[] images = [.. Regex.Matches(File.ReadAllText(Repository.File(file.Split('/'))), pattern, RegexOptions.Multiline, TimeSpan.FromSeconds(1)).Select(m => m.Groups["image"].Value)];

        Assert.NotEmpty(images);
        Assert.All(images, image => Assert.Matches(":v?[0-9]", image));
    }

    [Theory]
    [InlineData("backup.sh")]
    [InlineData("restore.sh")]
    public async Task A_script_without_its_file_says_how_it_is_used(string script)
    {
        using Process process = Process.Start(new ProcessStartInfo("bash", [Repository.File("deploy", script)]) { RedirectStandardError = true, UseShellExecute = false })!;
        string said = await process.StandardError.ReadToEndAsync(TestContext.Current.CancellationToken);
        await process.WaitForExitAsync(TestContext.Current.CancellationToken);

        Assert.Equal(2, process.ExitCode);
        Assert.Contains($"bash deploy/{script} FILE", said, StringComparison.Ordinal);
    }

    private static IEnumerable<object> Objects(string file) => Read(File.ReadAllText(file));

    private static List<object> Read(string yaml) => KubernetesYaml.LoadAllFromString(yaml, typeMap: null, strict: true);

    /// <summary>Follows the names through the types of the options.</summary>
    private static bool Exists(string name)
    {
        Type? type = typeof(TitrationOptions);
        foreach (string part in name.Split("__").Skip(1))
        {
            // What a list or a dictionary holds has an index or a name of its own.
            type = type is not null && type != typeof(string) && typeof(IEnumerable).IsAssignableFrom(type)
                ? type.GenericTypeArguments.LastOrDefault()
                : type?.GetProperty(part, BindingFlags.Public | BindingFlags.Instance)?.PropertyType;
            type = type is not null && Nullable.GetUnderlyingType(type) is { } inner ? inner : type;
        }

        return type is not null;
    }

    [GeneratedRegex(@"Titration(?:__[A-Za-z0-9]+)+", RegexOptions.None, matchTimeoutMilliseconds: 1000)]
    private static partial Regex SettingName();

    [GeneratedRegex(@"\bDOTNET_\w+=\S+", RegexOptions.None, matchTimeoutMilliseconds: 1000)]
    private static partial Regex RuntimeSetting();

    [GeneratedRegex(@"\./deploy/secrets/(?<name>[^\s:]+)", RegexOptions.None, matchTimeoutMilliseconds: 1000)]
    private static partial Regex SecretFile();
}
