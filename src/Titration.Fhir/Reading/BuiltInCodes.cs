using Titration.Protocol.Facts;
using static Titration.Fhir.Codes;

namespace Titration.Fhir.Reading;

/// <summary>
/// The codes whose meaning needs no mapping file: our own code system, and the SNOMED CT and LOINC codes that were found in a
/// published source. All others are the clinic's to map, since public code mislabels many.
/// </summary>
internal static class BuiltInCodes
{
    /// <summary>What each code of an observation is about.</summary>
    public static IEnumerable<(SystemCode Code, Meaning Meaning)> Observations =>
    [
        .. Own.Select(own => (new SystemCode(Systems.Tolerability, own.Key), own.Value)),
        (new(Systems.Snomed, "247441003"), new Meaning.Graded(Sign.Erythema)),
        (new(Systems.Snomed, "271767006"), new Meaning.Graded(Sign.Scaling)),
        (new(Systems.Snomed, "16386004"), new Meaning.Graded(Sign.Dryness)),
        (new(Systems.Snomed, "418363000"), new Meaning.Graded(Sign.Pruritus)),
        (new(Systems.Snomed, "278528006"), new Meaning.Finding(FindingKind.FacialSwelling)),
        (new(Systems.Snomed, "41291007"), new Meaning.Finding(FindingKind.FacialSwelling)),
        (new(Systems.Snomed, "77386006"), new Meaning.Finding(FindingKind.Pregnancy)),
        (new(Systems.Loinc, "82810-3"), new Meaning.Finding(FindingKind.Pregnancy)),
    ];

    /// <summary>What each coded answer says.</summary>
    public static IEnumerable<(SystemCode Code, Answer Answer)> Answers =>
    [
        .. Enum.GetValues<Grade>().Select(grade => (new SystemCode(Systems.Tolerability, grade.Code()), new Answer(Grade: grade))),
        .. Enum.GetValues<Effect>().Select(effect => (new SystemCode(Systems.Tolerability, effect.Code()), new Answer(Effect: effect))),
        (new(Systems.Loinc, "LA15173-0"), new Answer(Yes: true)),
        (new(Systems.Loinc, "LA26683-5"), new Answer(Yes: false)),
        (new(Systems.Loinc, "LA4489-6"), Answer.Unknown),
        (new(Systems.Snomed, "77386006"), new Answer(Yes: true)),
        (new(Systems.Snomed, "60001007"), new Answer(Yes: false)),

        // A possible pregnancy is taken as one until somebody says it is not.
        (new(Systems.Snomed, "102874004"), new Answer(Yes: true)),
        (new(Systems.YesNo, "Y"), new Answer(Yes: true)),
        (new(Systems.YesNo, "N"), new Answer(Yes: false)),
    ];

    /// <summary>Codes of our tolerability code system, which are also the words of the clinic's mapping file.</summary>
    public static IReadOnlyDictionary<string, Meaning> Own { get; } = new Dictionary<string, Meaning>(
    [
        .. Enum.GetValues<Sign>().Select(sign => KeyValuePair.Create(sign.Code(), (Meaning)new Meaning.Graded(sign))),
        .. Enum.GetValues<FindingKind>().Select(kind => KeyValuePair.Create(kind.Code(), (Meaning)new Meaning.Finding(kind))),
        KeyValuePair.Create(Tolerability.Panel, (Meaning)new Meaning.Panel()),
        KeyValuePair.Create(Tolerability.NightsApplied, (Meaning)new Meaning.NightsApplied()),
        KeyValuePair.Create(Tolerability.MissedApplications, (Meaning)new Meaning.ApplicationsMissed()),
        KeyValuePair.Create(Tolerability.ProcedurePlanned, (Meaning)new Meaning.ProcedurePlanned()),
        KeyValuePair.Create(Tolerability.Recovered, (Meaning)new Meaning.Recovered()),
        KeyValuePair.Create(Tolerability.Effect, (Meaning)new Meaning.EffectSeen()),
        KeyValuePair.Create(Tolerability.FollowUp, (Meaning)new Meaning.FollowUp()),
    ], StringComparer.Ordinal);
}
