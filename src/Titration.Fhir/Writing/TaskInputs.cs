using Hl7.Fhir.Model;
using Titration.Protocol.Courses;
using Titration.Protocol.Facts;
using FhirTask = Hl7.Fhir.Model.Task;

namespace Titration.Fhir.Writing;

/// <summary>
/// What a clinician, and years later an auditor, needs to judge a Task. Versions and digests travel as data too, since some servers
/// strip <c>/_history</c> from references.
/// </summary>
internal static class TaskInputs
{
    public static IEnumerable<FhirTask.ParameterComponent> Of(WritingContext context, Dosage? proposed)
    {
        OutgoingCommunication communication = context.Communication;
        if (communication.Order is { } order)
        {
            yield return Input("current-prescription", "Prescription in force", OutgoingReferences.Versioned(order));
        }

        foreach (ResourceVersion evidence in context.Evidence)
        {
            yield return Input("evidence", "Evidence", OutgoingReferences.Versioned(evidence));
        }

        foreach (ResourceVersion source in context.Sources)
        {
            yield return Input("source-version", "Exact version of a source", new FhirString($"{source.Reference} {FhirText.Digest(source.ContentHash)}"));
        }

        foreach (FhirTask.ParameterComponent input in Steps(context, proposed))
        {
            yield return input;
        }

        yield return Input("protocol", "Protocol", new Canonical(communication.Protocol.VersionedCanonical));
        yield return Input("policy-hash", "Hash of the policy", new FhirString(FhirText.Digest(communication.PolicyHash)));
        yield return Input("input-digest", "Digest of the facts that decided", new FhirString(FhirText.Digest(communication.InputDigest)));
    }

    private static IEnumerable<FhirTask.ParameterComponent> Steps(WritingContext context, Dosage? proposed)
    {
        Step? current = context.Communication.CurrentStep;
        if (current is not null)
        {
            yield return Input("current-step", "Step in force", new FhirString(StepText(current)));
        }

        if (DosageWriter.Current(context) is { } currentDosage)
        {
            yield return Input("current-dosage", "Dosage in force", currentDosage);
        }

        if (context.Intent.Proposed is not { } step)
        {
            yield break;
        }

        yield return Input("proposed-step", "Step proposed", new FhirString(StepText(step)));
        yield return Input("proposed-dosage", "Dosage proposed", proposed!);
        if (current is null || current.StrengthPercent != step.StrengthPercent)
        {
            // A Dosage cannot say the strength, and another strength is another product to prescribe.
            yield return Input("proposed-strength", "Strength proposed", new Quantity(FhirText.Normal(step.StrengthPercent), "%"));
        }

        yield return Input("barrier-support", "Barrier support proposed", new FhirBoolean(step.Barrier));
    }

    /// <summary>The same in every language, for machines and for comparing.</summary>
    private static string StepText(Step step)
    {
        (int applications, decimal days) = DosageWriter.Whole(step.Frequency);
        string barrier = step.Barrier ? "with" : "without";
        return $"{FhirText.Number(step.StrengthPercent)} %, {applications} in {FhirText.Number(days)} d, {FhirText.Number(step.GramsPerApplication)} g, {barrier} barrier support";
    }

    private static FhirTask.ParameterComponent Input(string code, string display, DataType value) => new()
    {
        Type = new CodeableConcept { Coding = [new Coding(OutgoingCodes.TaskIoSystem, code, display)] },
        Value = value,
    };
}
