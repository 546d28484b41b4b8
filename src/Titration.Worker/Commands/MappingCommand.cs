using System.Collections.Immutable;
using System.CommandLine;
using System.Data.Common;
using System.Text.Json;
using Microsoft.EntityFrameworkCore;
using Spectre.Console;
using Titration.Fhir.Reading;
using Titration.Storage;
using Titration.Storage.Model;
using Titration.Worker.Access;

namespace Titration.Worker.Commands;

/// <summary><c>titration mapping</c>: validate, unmapped.</summary>
internal static class MappingCommand
{
    public static Command Create() => new("mapping", "Checks a clinic's code mapping, and tells what it lacks.") { Validate(), Unmapped() };

    private static Command Validate()
    {
        Argument<string> file = new("file") { Description = "Mapping file; contracts/mapping.example.json shows the form." };
        Command command = new("validate", """
            Checks a mapping file against the protocol in use. Each problem is one line, FILE: path: problem. The exit code is 1 where there is any,
            2 where the file cannot be read.
            """)
        { file };
        command.SetAction(parsed => Validate(parsed.GetValue(file)!));
        return command;
    }

    private static Command Unmapped()
    {
        Command command = new("unmapped", """
            Lists the codes that came in and that neither the protocol nor the mapping knows, the most frequent first. Add each to the mapping file,
            under `ignored` where it has nothing to do with a titration. The exit code is 1 where there is any.
            """);
        command.SetAction((_, cancellationToken) => UnmappedAsync(cancellationToken));
        return command;
    }

    private static int Validate(string file)
    {
        if (CommandSettings.Load(("Mapping:File", "")) is not { } settings)
        {
            return ExitCode.Usage;
        }

        try
        {
            MappingFile mapping = MappingJson.Parse(BoundedFile.Read(file, BoundedFile.PolicyBytes));
            ImmutableArray<MappingProblem> problems = mapping.Problems(settings.Policy.Protocol);
            foreach (MappingProblem problem in problems)
            {
                Console.WriteLine($"{file}: {problem.Path}: {problem.Problem}");
            }

            if (problems.IsEmpty)
            {
                Console.WriteLine($"{file}: {mapping.Name} {mapping.Version} has no problems.");
            }

            return problems.IsEmpty ? ExitCode.Done : ExitCode.Found;
        }
        catch (JsonException problem)
        {
            Console.WriteLine($"{file}:{problem.LineNumber + 1}: {problem.Path}: {problem.Message}");
            return ExitCode.Found;
        }
        catch (Exception problem) when (problem is IOException or UnauthorizedAccessException)
        {
            Console.Error.WriteLine($"titration: cannot read \"{file}\": {problem.Message}");
            return ExitCode.Usage;
        }
    }

    private static async Task<int> UnmappedAsync(CancellationToken cancellationToken)
    {
        if (CommandSettings.Load() is not { } settings)
        {
            return ExitCode.Usage;
        }

        try
        {
            await using TitrationDbContext database = StorageServices.CreateContext(settings.Database);
            List<UnmappedCodeRow> codes = await database.UnmappedCodes.AsNoTracking()
                .OrderByDescending(c => c.Count).ThenBy(c => c.System).ThenBy(c => c.Code).ToListAsync(cancellationToken);
            codes.RemoveAll(c => settings.Policy.Vocabulary.Knows(c.System, c.Code));
            if (codes.Count == 0)
            {
                Console.WriteLine("Every code that came in is known.");
                return ExitCode.Done;
            }

            Write(codes);
            return ExitCode.Found;
        }
        catch (DbException problem)
        {
            Console.Error.WriteLine($"titration: the database cannot be read ({problem.GetType().Name}); has the service run with these settings?");
            return ExitCode.Usage;
        }
    }

    private static void Write(List<UnmappedCodeRow> codes)
    {
        Table table = new Table().Border(TableBorder.Simple).AddColumns(
            new TableColumn("seen").RightAligned(), new TableColumn("last"), new TableColumn("in"), new TableColumn("code"), new TableColumn("system"));
        foreach (UnmappedCodeRow code in codes)
        {
            table.AddRow(
                new Text($"{code.Count}"), new Text(code.LastSeen.ToString("yyyy-MM-dd", null)), new Text(code.ResourceType), new Text(code.Code), new Text(code.System));
        }

        Records.Write(table);
    }
}
