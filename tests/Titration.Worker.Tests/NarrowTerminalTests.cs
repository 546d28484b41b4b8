using System.CommandLine;
using Spectre.Console;
using Titration.Worker.Commands;
using Xunit;

namespace Titration.Worker.Tests;

/// <summary>What commands say on a terminal of 80 columns.</summary>
public sealed class NarrowTerminalTests
{
    private const int Columns = 80;

    [Fact]
    public void A_table_too_wide_for_the_terminal_becomes_a_few_lines_for_each_row_and_no_word_is_broken()
    {
        string said = Written(isFile: false);

        Assert.All(said.Split('\n'), line => Assert.InRange(line.TrimEnd().Length, 0, Columns));
        Assert.Contains("  course     fb544516", said, StringComparison.Ordinal);
        Assert.Contains("  step       0.025 % alternate nights, 0.25 g, barrier support", said, StringComparison.Ordinal);
        Assert.DoesNotContain("open", said, StringComparison.Ordinal);
    }

    [Fact]
    public void In_a_file_a_row_stays_one_line() =>
        Assert.Contains(Written(isFile: true).Split('\n'), line => line.Contains("fb544516", StringComparison.Ordinal) && line.Contains("barrier support", StringComparison.Ordinal));

    [Fact]
    public void Help_lists_subcommands_with_a_sentence_each_and_wraps_paragraphs_but_no_example()
    {
        RootCommand root = CommandLine.Root();
        CommandLine.Shorten(root);

        Assert.All(root.Subcommands, c => Assert.DoesNotContain('\n', c.Description!));
        Assert.Equal("One sentence.", CommandLine.FirstSentence("One sentence. Another."));
        Assert.Equal("a b\n\n  example\nc d", CommandLine.Unfolded("a\nb\n\n  example\nc\nd"));
    }

    private static string Written(bool isFile)
    {
        using StringWriter text = new();
        IAnsiConsole console = AnsiConsole.Create(new AnsiConsoleSettings { Ansi = AnsiSupport.No, Out = new AnsiConsoleOutput(text) });
        console.Profile.Width = Columns;
        Table table = new Table().Border(TableBorder.Simple).AddColumns("course", "patient", "treatment", "step", "open");
        table.AddRow("fb544516", "willow-1", "tretinoin, face", "0.025 % alternate nights, 0.25 g, barrier support", "");
        Records.Write(table, console, isFile);
        return text.ToString();
    }
}
