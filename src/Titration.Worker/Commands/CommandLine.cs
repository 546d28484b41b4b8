using System.CommandLine;
using System.CommandLine.Help;

namespace Titration.Worker.Commands;

/// <summary>The whole command line.</summary>
internal static class CommandLine
{
    /// <summary>Width of help in a file or a pipe.</summary>
    private const int FileWidth = 100;

    public static RootCommand Root()
    {
        RootCommand root = Commands();
        foreach (Command command in WithSubcommands(root))
        {
            command.Description = Unfolded(command.Description ?? "");
        }

        if (Console.IsOutputRedirected && root.Options.OfType<HelpOption>().Single().Action is HelpAction help)
        {
            help.MaxWidth = FileWidth;
        }

        return root;
    }

    /// <summary>In the help of a command its subcommands have a sentence each; the rest stands in their own.</summary>
    public static void Shorten(Command command)
    {
        foreach (Command subcommand in command.Subcommands)
        {
            subcommand.Description = FirstSentence(subcommand.Description ?? "");
        }
    }

    /// <summary>A paragraph in one line, which help wraps at the width of the terminal; what is indented, such as an example, stays as it is.</summary>
    internal static string Unfolded(string text)
    {
        List<string> lines = [];
        bool isParagraph = false;
        foreach (string line in text.ReplaceLineEndings("\n").Split('\n'))
        {
            bool isText = line.Length > 0 && line[0] != ' ';
            if (isText && isParagraph)
            {
                lines[^1] += $" {line}";
            }
            else
            {
                lines.Add(line);
            }

            isParagraph = isText;
        }

        return string.Join('\n', lines);
    }

    internal static string FirstSentence(string text)
    {
        string line = text.Split('\n')[0];
        int end = line.IndexOf(". ", StringComparison.Ordinal);
        return end < 0 ? line : line[..(end + 1)];
    }

    private static IEnumerable<Command> WithSubcommands(Command command) => [command, .. command.Subcommands.SelectMany(WithSubcommands)];

    private static RootCommand Commands() => new("""
        Proposes titration steps of topical retinoids from the prescriptions and observations in a clinic's FHIR R4 store. It proposes;
        a clinician decides. Decision support, not a medical device: local law, product labels and the licensed prescriber decide.

        Settings come from appsettings.json in the current folder and from environment variables such as Titration__Broker__Uri; without
        any, everything runs on embedded parts.
        """)
    {
        RunCommand.Create(),
        CheckCommand.Create(),
        BackfillCommand.Create(),
        SubscribeCommand.Create(),
        DemoCommand.Create(),
        EvaluateCommand.Create(),
        CourseCommand.Create(),
        ProtocolCommand.Create(),
        MappingCommand.Create(),
        QuarantineCommand.Create(),
        OutboxCommand.Create(),
        LedgerCommand.Create(),
        ReplayCommand.Create(),
        ModeCommand.Create(),
        PatientCommand.Create(),
        DatabaseCommand.Create(),
    };
}
