using System.Collections.Immutable;
using Hl7.Fhir.Model;
using Titration.Fhir.Writing;
using Titration.Protocol.Communications;

namespace Titration.Fhir.Publishing;

/// <summary>What the service does about a communication: the activity that a Task carries out.</summary>
/// <param name="Id">The ActivityDefinition's id; Tasks on clinics' servers cite it, so it never changes.</param>
/// <param name="Title">What it does.</param>
/// <param name="Description">What it asks for, and what it leaves to the clinician.</param>
/// <param name="Intent">The intent of the CommunicationRequest.</param>
/// <param name="To">Who is to act.</param>
public sealed record Activity(string Id, string Title, string Description, RequestIntent Intent, ActionParticipantType To)
{
    /// <summary>One for each kind of communication.</summary>
    public static ImmutableArray<Activity> All { get; } = [.. Enum.GetValues<CommunicationKind>().Select(Of)];

    public static Activity Of(CommunicationKind kind) => kind switch
    {
        CommunicationKind.SafetyReferral => new(
            "urgent-referral", "Ask for a clinician's review of a safety finding",
            "A finding or severe irritation discontinues or withholds the treatment until a clinician has seen to it. Its priority is that of the finding.",
            RequestIntent.Order, ActionParticipantType.Practitioner),
        CommunicationKind.CareAdvice => new(
            "give-care-advice", "Give care advice",
            "More moisturiser, leaving a night out, or the fixed message to leave the product out and wait. Never another dosage.",
            RequestIntent.Order, ActionParticipantType.Patient),
        CommunicationKind.StepChange => new(
            "propose-step", "Propose a step change for a clinician's approval",
            "A step up, a step down or a resumption. It is a draft, and not for the patient, until a clinician has approved it.",
            RequestIntent.Proposal, ActionParticipantType.Practitioner),
        CommunicationKind.Review => new(
            "ask-review", "Ask for a clinician's review",
            "Something that cannot be decided without a clinician's word, such as a dose over the face maximum.",
            RequestIntent.Order, ActionParticipantType.Practitioner),
        CommunicationKind.EffectReview => new(
            "ask-effect-review", "Ask for a review of the effect",
            "What the present strength has done so far. It holds nothing up.",
            RequestIntent.Order, ActionParticipantType.Practitioner),
        CommunicationKind.CheckInRequest => new(
            "ask-checkin", "Ask the patient for a tolerability check-in",
            "Redness, scaling, dryness, and burning or stinging, graded 0 to 3, and the nights applied since the last one.",
            RequestIntent.Order, ActionParticipantType.Patient),
        CommunicationKind.ClinicTask => new(
            "chase-checkin", "Ask the clinic to look after a course",
            "A check-in that stays away, a newly prescribed interacting topical, or applications in nights that were withheld.",
            RequestIntent.Order, ActionParticipantType.Practitioner),
        CommunicationKind.RepeatReminder => new(
            "supply-reminder", "Remind the patient of the repeat", "The tube is about to run out.", RequestIntent.Order, ActionParticipantType.Patient),
    };

    /// <summary>Its canonical address in this version of the protocol.</summary>
    public string Canonical(string protocolVersion) => OutgoingCodes.Activity(Id, protocolVersion);
}
