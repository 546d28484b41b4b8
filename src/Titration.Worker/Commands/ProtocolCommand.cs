using System.CommandLine;
using Hl7.Fhir.Model;
using Spectre.Console;
using Titration.Fhir.Publishing;
using Titration.Fhir.Writing;
using Titration.Protocol.Definitions;
using Titration.Worker.Access;
using Titration.Worker.Configuration;

namespace Titration.Worker.Commands;

/// <summary><c>titration protocol</c>: validate, show, publish, adopt.</summary>
internal static class ProtocolCommand
{
    private const string DefaultFile = "Protocol file; default: Titration__Protocol__File, else the one that comes with the service.";

    public static Command Create() => new("protocol", "Checks, draws, publishes and adopts a titration protocol.") { Validate(), Show(), Publish(), PolicyAdoptionCommand.Adopt(), PolicyAdoptionCommand.Adopted() };

    private static Command Validate()
    {
        Argument<string> file = new("file") { Description = "Protocol file." };
        Option<string?> wording = new("--wording")
        {
            Description = "The clinic's wording folder, checked as well; default: the wording that comes with the service.",
            HelpName = "FOLDER",
        };
        Command command = new("validate", """
            Checks a protocol file: its form, whether its numbers agree with each other, and whether the wording has words for all that it names.
            Each problem is one line, FILE:LINE: path: problem. The exit code is 1 where there is any, 2 where something cannot be read.
            """)
        { file, wording };
        command.SetAction(parsed => Validate(parsed.GetValue(file)!, parsed.GetValue(wording) ?? ""));
        return command;
    }

    private static int Validate(string file, string wordingFolder)
    {
        if (wordingFolder.Length > 0 && !Directory.Exists(wordingFolder))
        {
            Console.Error.WriteLine($"titration: --wording: there is no folder \"{wordingFolder}\"");
            return ExitCode.Usage;
        }

        ClinicWording wording = ClinicWording.Load(wordingFolder);
        foreach (string problem in wording.Problems)
        {
            Console.WriteLine(problem);
        }

        return WithProtocol(file, problemsTo: Console.Out, wording.Wording, protocol =>
        {
            if (wording.Problems.IsEmpty)
            {
                Console.WriteLine($"{file}: {protocol.Name} {protocol.Version} has no problems.");
            }

            return wording.Problems.IsEmpty ? ExitCode.Done : ExitCode.Found;
        });
    }

    private static Command Show()
    {
        Argument<string?> file = new("file") { Description = DefaultFile, Arity = ArgumentArity.ZeroOrOne };
        Command command = new("show", "Draws both ladders with their weekly amounts, the gates, deadlines, findings and products.") { file };
        command.SetAction(parsed => WithProtocol(parsed.GetValue(file) ?? CommandSettings.ProtocolFile(), problemsTo: Console.Error, wording: null, protocol =>
        {
            ProtocolOutput.Write(AnsiConsole.Console, protocol);
            return ExitCode.Done;
        }));
        return command;
    }

    private static Command Publish()
    {
        Argument<string?> file = new("file") { Description = DefaultFile, Arity = ArgumentArity.ZeroOrOne };
        Option<string?> folder = new("--out") { Description = "Folder for one file per resource; default: a transaction Bundle on standard output." };
        Command command = new("publish", """
            Writes the protocol as a FHIR R4 PlanDefinition with the ActivityDefinitions that every Task of the service refers to.

              titration protocol publish --out fhir/
              titration protocol publish | curl -s FHIR_BASE -H 'content-type: application/fhir+json' --data-binary @-
            """)
        { file, folder };
        command.SetAction(parsed => WithProtocol(
            parsed.GetValue(file) ?? CommandSettings.ProtocolFile(), problemsTo: Console.Error, wording: null, protocol => Publish(protocol, parsed.GetValue(folder))));
        return command;
    }

    private static int Publish(ProtocolDefinition protocol, string? folder)
    {
        ProtocolPublication publication = ProtocolPublication.Of(protocol);
        if (folder is null)
        {
            Console.WriteLine(FhirJson.Serialize(publication.Transaction()));
            return ExitCode.Done;
        }

        try
        {
            Directory.CreateDirectory(folder);
            foreach (DomainResource resource in publication.Resources)
            {
                string path = Path.Combine(folder, $"{resource.TypeName}-{resource.Id}.json");
                File.WriteAllText(path, FhirJson.Serialize(resource) + "\n");
                Console.WriteLine(path);
            }

            return ExitCode.Done;
        }
        catch (Exception problem) when (problem is IOException or UnauthorizedAccessException)
        {
            Console.Error.WriteLine($"titration: --out: cannot write to \"{folder}\": {problem.Message}");
            return ExitCode.Usage;
        }
    }

    private static int WithProtocol(string file, TextWriter problemsTo, Wording? wording, Func<ProtocolDefinition, int> use)
    {
        byte[] utf8;
        try
        {
            utf8 = file.Length == 0 ? BuiltIn.Protocol.ToArray() : BoundedFile.Read(file, BoundedFile.PolicyBytes);
        }
        catch (Exception problem) when (problem is IOException or UnauthorizedAccessException)
        {
            Console.Error.WriteLine($"titration: cannot read \"{file}\": {problem.Message}");
            return ExitCode.Usage;
        }

        ProtocolReading reading = ProtocolReading.Of(utf8, wording);
        foreach (ProtocolFileProblem problem in reading.Problems)
        {
            problemsTo.WriteLine($"{(file.Length == 0 ? "built-in protocol" : file)}:{problem.Line}: {problem}");
        }

        return reading.Problems.IsEmpty ? use(reading.Protocol!) : ExitCode.Found;
    }
}
