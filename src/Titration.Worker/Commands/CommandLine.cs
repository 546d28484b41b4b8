using System.CommandLine;

namespace Titration.Worker.Commands;

/// <summary>The whole command line.</summary>
internal static class CommandLine
{
    public static RootCommand Root() => new("""
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
