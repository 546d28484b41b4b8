using Hl7.Fhir.Model;
using Titration.Protocol.Facts;
using RequestStatus = Hl7.Fhir.Model.MedicationRequest.MedicationrequestStatus;

namespace Titration.Fhir.Reading;

/// <summary>A MedicationRequest whose product is known, as a fact.</summary>
internal sealed class PrescriptionReader(AmountReader amounts)
{
    private const int MostRepeats = 999;
    private readonly DosageReader _dosages = new(amounts);

    public ResourceReading Read(ReadingSource source, MedicationRequest order, ProductFinding.Known product, string contentHash)
    {
        Remarks remarks = new();
        Modifiers.Check(order, remarks);
        PrescriptionStatus? status = StatusOf(order, remarks);
        string? patient = FhirReference.PatientOf(order.Subject, "MedicationRequest.subject", remarks);
        DosageReading dosage = DosageOf(order, product, status, remarks);
        ClinicalTime? authoredOn = AuthoredOn(order, dosage.Start, status, source.Header.LastUpdated, remarks);
        if (remarks.Refusal is { } refusal)
        {
            // Entered in error removes the order, whatever else is wrong with it.
            return status == PrescriptionStatus.Removed ? source.Deleted() : source.Refused(refusal.Path, refusal.Problem);
        }

        return source.Understood(
            new PrescriptionFact
            {
                Source = source.Version(contentHash),
                Patient = patient!,
                Status = status!.Value,
                Product = product.Product,
                Area = dosage.Area,
                AuthoredOn = authoredOn!.Value,
                Start = dosage.Start,
                Phases = dosage.Phases,
                Doubts = dosage.Doubts,
                GramsPerFill = amounts.PerFill(order.DispenseRequest?.Quantity),
                Fills = 1 + Math.Min(order.DispenseRequest?.NumberOfRepeatsAllowed ?? 0, MostRepeats),
                PriorPrescription = FhirReference.IdOf("MedicationRequest", order.PriorPrescription),
                Prescriber = FhirReference.Parse(order.Requester?.Reference)?.Unversioned,
            },
            remarks.UnmappedCodes);
    }

    /// <summary>Only an active order counts as treatment: not a plan, not a proposal, and not "do not take this".</summary>
    private static PrescriptionStatus? StatusOf(MedicationRequest order, Remarks remarks)
    {
        if (order.Status is null)
        {
            remarks.Refuse("MedicationRequest.status", "The status is needed.");
            return null;
        }

        bool isOrder = order.Intent is MedicationRequest.MedicationRequestIntent.Order or MedicationRequest.MedicationRequestIntent.OriginalOrder
            or MedicationRequest.MedicationRequestIntent.ReflexOrder or MedicationRequest.MedicationRequestIntent.FillerOrder
            or MedicationRequest.MedicationRequestIntent.InstanceOrder;
        PrescriptionStatus status = order.Status.Value switch
        {
            RequestStatus.Active => PrescriptionStatus.Active,
            RequestStatus.OnHold => PrescriptionStatus.OnHold,
            RequestStatus.Stopped or RequestStatus.Completed => PrescriptionStatus.Ended,
            RequestStatus.Cancelled or RequestStatus.Draft or RequestStatus.Unknown => PrescriptionStatus.NeverInForce,
            RequestStatus.EnteredInError => PrescriptionStatus.Removed,
        };
        return status == PrescriptionStatus.Removed || (isOrder && order.DoNotPerform != true) ? status : PrescriptionStatus.NeverInForce;
    }

    /// <summary>
    /// The dosage matters only in a titrated product's order. A fault in it refuses an active order; any other status
    /// (a pause, an end) must not be lost for it, so there it is a doubt.
    /// </summary>
    private DosageReading DosageOf(MedicationRequest order, ProductFinding.Known product, PrescriptionStatus? status, Remarks remarks)
    {
        Remarks faults = new();
        DosageReading read = _dosages.Read(order.DosageInstruction, FhirTime.Parse(order.AuthoredOn), faults);
        if (product.Product.Role != ProductRole.Titrated)
        {
            return read with { Phases = [], Doubts = [] };
        }

        if (faults.Refusal is { } fault)
        {
            if (status is PrescriptionStatus.Active)
            {
                remarks.Refuse(fault.Path, fault.Problem);
            }

            return read with { Phases = [], Doubts = [DosageDoubt.TextOnly] };
        }

        return product.StrengthIsCertain ? read : read with { Doubts = [.. read.Doubts, DosageDoubt.StrengthUnknown] };
    }

    /// <summary>
    /// When the order was written; without that, when its dosage starts. One that is over or never was may also fall back on when the
    /// server stored it: its date decides nothing any more.
    /// </summary>
    private static ClinicalTime? AuthoredOn(
        MedicationRequest order, ClinicalTime? start, PrescriptionStatus? status, DateTimeOffset? lastUpdated, Remarks remarks)
    {
        const string path = "MedicationRequest.authoredOn";
        bool counts = status is PrescriptionStatus.Active or PrescriptionStatus.OnHold;
        ClinicalTime? authoredOn = counts ? FhirTime.Read(order.AuthoredOn, path, remarks) : FhirTime.Parse(order.AuthoredOn);
        ClinicalTime? time = authoredOn ?? start ?? (!counts && lastUpdated is { } stored ? ClinicalTime.At(stored) : null);
        if (time is null)
        {
            remarks.Refuse(path, "The date of the order is needed, to the day or better.");
        }

        return time;
    }
}
