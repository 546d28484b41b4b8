using System.Collections.Frozen;

namespace Titration.Fhir;

/// <summary>The code systems, identifier systems and codes that this service knows by itself; all others are the clinic's to map.</summary>
public static class Codes
{
    /// <summary>Base address of everything of ours.</summary>
    public const string Base = "https://titration.example.org/fhir";

    /// <summary>Code systems.</summary>
    public static class Systems
    {
        /// <summary>Signs, findings, counts and answers of a check-in.</summary>
        public const string Tolerability = Base + "/CodeSystem/tolerability";

        public const string Atc = "http://www.whocc.no/atc";
        public const string RxNorm = "http://www.nlm.nih.gov/research/umls/rxnorm";
        public const string Snomed = "http://snomed.info/sct";
        public const string Loinc = "http://loinc.org";
        public const string Ucum = "http://unitsofmeasure.org";
        public const string Language = "urn:ietf:bcp:47";

        /// <summary>The yes and no of HL7 version 2.</summary>
        public const string YesNo = "http://terminology.hl7.org/CodeSystem/v2-0136";

        /// <summary>The codes of <c>Timing.code</c>.</summary>
        public const string TimingAbbreviation = "http://terminology.hl7.org/CodeSystem/v3-GTSAbbreviation";

        /// <summary>The kind of a dose: ordered or calculated.</summary>
        public const string DoseRateType = "http://terminology.hl7.org/CodeSystem/dose-rate-type";
    }

    /// <summary>Identifier systems of what this service writes: a resource that carries one is ours.</summary>
    public static class Identifiers
    {
        public const string Task = Base + "/NamingSystem/task";
        public const string CommunicationRequest = Base + "/NamingSystem/communication-request";
    }

    /// <summary>Codes of our tolerability code system that are not the code of a sign, a finding, a grade or an effect.</summary>
    public static class Tolerability
    {
        public const string Panel = "checkin-panel";
        public const string NightsApplied = "nights-applied";
        public const string MissedApplications = "missed-applications";
        public const string ProcedurePlanned = "procedure-planned";
        public const string Recovered = "recovered";
        public const string Effect = "effect";
        public const string FollowUp = "follow-up";
    }

    /// <summary>UCUM units.</summary>
    public static class Units
    {
        public const string Gram = "g";
        public const string Milligram = "mg";
        public const string Score = "{score}";
        public const string One = "1";

        /// <summary>The fingertip unit has no UCUM code, so it is an annotation.</summary>
        public const string FingertipUnit = "{FTU}";
    }

    /// <summary>The word of an order's area where it names a part of the face or none.</summary>
    public const string FaceArea = "face";

    /// <summary>
    /// SNOMED CT: skin of face, forehead, cheek, nose, chin. Upper lip (16251004) and upper eyelid (41310005) are left out: they are
    /// sensitive areas of their own, like the neck (43081002) and the chest (74160004).
    /// </summary>
    public static FrozenSet<string> FaceParts { get; } =
        FrozenSet.Create(StringComparer.Ordinal, "73897004", "68698007", "36141000", "113179006", "23747009");

    /// <summary>ATC codes with this first letter are dermatologicals: only among them can an unknown one be a product of ours.</summary>
    public const char AtcDermatologicals = 'D';
}
