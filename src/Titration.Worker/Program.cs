using System.CommandLine;
using Titration.Worker.Commands;

RootCommand root = new("""
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
ParseResult parsed = root.Parse(args);
int code = await parsed.InvokeAsync();

// 0 done, 1 it found something wrong, 2 usage.
return parsed.Errors.Count > 0 ? ExitCode.Usage : code;
