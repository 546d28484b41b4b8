using System.Globalization;
using Titration.Worker.Configuration;

namespace Titration.Worker.Checking;

/// <summary>The clinic's privacy key: whether there is one, how good it can be, and who can read it.</summary>
internal static class PrivacyKeyCheck
{
    public const string Subject = "privacy key";

    private const string Setting = "Titration__Privacy__Key";

    /// <summary>Fewer different characters than this have hardly been drawn at random.</summary>
    private const int FewestCharacters = 10;

    /// <param name="key">The key in force; its shortest length was checked with the settings.</param>
    /// <param name="inEnvironment">Whether the environment holds it: then no file counts.</param>
    /// <param name="secretsFolder">Where secret files are mounted.</param>
    public static CheckRow Of(string key, bool inEnvironment, string secretsFolder)
    {
        if (key.Length == 0)
        {
            return CheckRow.Warning(
                Subject, "none: no patient can be erased, and traces do not tell patients apart",
                $"Put {PrivacyOptions.ShortestKey} random characters into the secret file {Setting} (`openssl rand -base64 33`), and never change them.");
        }

        string file = Path.Combine(secretsFolder, Setting);
        string length = string.Create(CultureInfo.InvariantCulture, $"{key.Length} characters");
        if (key.Distinct().Count() < FewestCharacters)
        {
            return CheckRow.Warning(Subject, $"{length}, but few different ones", "Nobody must be able to guess it. As long as no patient was erased, take a random one: `openssl rand -base64 33`.");
        }

        return (inEnvironment, File.Exists(file)) switch
        {
            (true, _) => CheckRow.Ok(Subject, $"{length}, from the environment"),
            (false, true) => OfFile(file, length),
            (false, false) => CheckRow.Warning(Subject, $"{length}, in appsettings.json beside the other settings", $"Move it, unchanged, into the secret file {Setting}."),
        };
    }

    private static CheckRow OfFile(string file, string length)
    {
        if (OperatingSystem.IsWindows())
        {
            return CheckRow.Ok(Subject, $"{length}, from {file}");
        }

        UnixFileMode mode = File.GetUnixFileMode(file);
        string seen = $"{length}, from {file}, mode {Convert.ToString((int)mode, 8).PadLeft(4, '0')}";
        return (mode & (UnixFileMode.OtherRead | UnixFileMode.OtherWrite)) == UnixFileMode.None
            ? CheckRow.Ok(Subject, seen)
            : CheckRow.Warning(Subject, $"{seen}: everybody on the machine can get at it", "Mount it readable by the service alone: mode 0400, or 0440 with the service's group.");
    }
}
