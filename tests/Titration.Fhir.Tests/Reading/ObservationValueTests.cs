using System.Text.Json.Nodes;
using Titration.Fhir.Reading;
using Titration.Protocol.Facts;
using Titration.TestKit.Builders;
using Xunit;

namespace Titration.Fhir.Tests.Reading;

public sealed class ObservationValueTests
{
    private const string Loinc = "http://loinc.org";
    private const string Forms = "https://clinic.example.org/forms";

    [Fact]
    public void A_complete_panel_says_five_grades_and_the_missed_applications()
    {
        ObservationFact fact = FhirJson.CheckIn(erythema: 1, scaling: 2, burning: 3, missed: 1, basedOn: "rx-1").Observation();

        Assert.True(fact.IsPanel);
        Assert.Equal(
            [
                new Statement.Graded(Sign.Erythema, Grade.Mild), new Statement.Graded(Sign.Scaling, Grade.Moderate),
                new Statement.Graded(Sign.Dryness, Grade.None), new Statement.Graded(Sign.Burning, Grade.Severe),
                new Statement.Graded(Sign.Pruritus, Grade.None), new Statement.ApplicationsMissed(1),
            ],
            fact.Statements);
        Assert.Equal(["rx-1"], fact.BasedOn);
        Assert.Equal(("p1", ObservationStatus.Counts, PerformerKind.Patient, "Patient/p1"), (fact.Patient, fact.Status, fact.PerformerKind, fact.Performer));
        Assert.Equal(ClinicalTime.At(new DateTimeOffset(2026, 3, 14, 19, 30, 0, TimeSpan.Zero)), fact.Effective);
    }

    [Theory]
    [InlineData("valueInteger", "2", Grade.Moderate)]
    [InlineData("valueQuantity", """{"value":2,"system":"http://unitsofmeasure.org","code":"{score}"}""", Grade.Moderate)]
    [InlineData("valueQuantity", """{"value":2.0,"system":"http://unitsofmeasure.org","code":"1"}""", Grade.Moderate)]
    [InlineData("valueQuantity", """{"value":3}""", Grade.Severe)]
    [InlineData("valueCodeableConcept", """{"coding":[{"system":"https://titration.example.org/fhir/CodeSystem/tolerability","code":"severe"}]}""", Grade.Severe)]
    [InlineData("valueCodeableConcept", """{"coding":[{"system":"https://clinic.example.org/forms","code":"slight"}]}""", Grade.Mild)]
    public void A_grade_is_an_integer_a_score_or_a_mapped_answer(string member, string value, Grade grade) =>
        Assert.Equal([new Statement.Graded(Sign.Erythema, grade)], Single("erythema", member, value).Observation().Statements);

    [Theory]
    [InlineData("valueInteger", "4")]
    [InlineData("valueInteger", "-1")]
    [InlineData("valueQuantity", """{"value":1.5,"system":"http://unitsofmeasure.org","code":"{score}"}""")]
    [InlineData("valueQuantity", """{"value":2,"comparator":">","system":"http://unitsofmeasure.org","code":"{score}"}""")]
    [InlineData("valueQuantity", """{"value":2,"system":"http://unitsofmeasure.org","code":"mm"}""")]
    [InlineData("valueString", "\"2\"")]
    [InlineData("valueBoolean", "true")]
    public void Anything_else_is_no_grade(string member, string value) =>
        Assert.Equal($"Observation.{member}", Single("erythema", member, value).Refused().Path);

    [Fact]
    public void A_grade_with_the_answer_of_another_question_is_refused() =>
        Assert.Equal("Observation.valueCodeableConcept.coding", Coded("erythema", Forms, "ja").Refused().Path);

    [Fact]
    public void An_answer_nobody_mapped_is_parked() =>
        Assert.Equal([new SystemCode(Forms, "so-so")], Assert.IsType<ResourceReading.Unmapped>(Coded("erythema", Forms, "so-so").Read()).Codes);

    [Fact]
    public void A_reason_for_absence_says_nothing_and_never_zero()
    {
        JsonObject panel = FhirJson.CheckIn(erythema: null).Adding(Absent("erythema"));

        ObservationFact fact = panel.Observation();

        Assert.DoesNotContain(fact.Statements, s => s is Statement.Graded { Sign: Sign.Erythema });
        Assert.Equal(5, fact.Statements.Length);
        Assert.Empty(Absent("erythema", FhirJson.Observation("erythema", null, null)).Observation().Statements);
    }

    [Fact]
    public void A_value_beside_a_reason_for_its_absence_is_refused()
    {
        Assert.Equal("Observation.dataAbsentReason", Absent("erythema", FhirJson.Observation("erythema", "valueInteger", 1)).Refused().Path);
        Assert.Equal(
            "Observation.component[6].dataAbsentReason",
            FhirJson.CheckIn().Adding(Absent("burning").With(c => c["valueInteger"] = 1)).Refused().Path);
    }

    [Fact]
    public void A_single_observation_without_any_value_is_refused() =>
        Assert.Equal("Observation.value[x]", FhirJson.Observation("erythema", null, null).Refused().Path);

    [Fact]
    public void Of_two_grades_of_one_sign_the_more_severe_counts()
    {
        ObservationFact fact = FhirJson.CheckIn(erythema: 1).Adding(FhirJson.Component("erythema", "valueInteger", 3)).Observation();

        Assert.Equal(Grade.Severe, Assert.Single(fact.Statements.OfType<Statement.Graded>(), s => s.Sign == Sign.Erythema).Grade);
    }

    [Fact]
    public void Of_two_contradicting_words_the_more_cautious_counts()
    {
        ObservationFact fact = FhirJson.CheckIn(missed: 1, nightsApplied: 5)
            .Adding(FhirJson.Component("missed-applications", "valueInteger", 3))
            .Adding(FhirJson.Component("nights-applied", "valueInteger", 4))
            .Adding(FhirJson.Component("hives", "valueBoolean", true))
            .Adding(FhirJson.Component("hives", "valueBoolean", false))
            .Adding(FhirJson.Component("recovered", "valueBoolean", true))
            .Adding(FhirJson.Component("recovered", "valueBoolean", false))
            .Observation();

        Assert.Contains(new Statement.ApplicationsMissed(3), fact.Statements);
        Assert.Contains(new Statement.NightsApplied(4), fact.Statements);
        Assert.Contains(new Statement.FindingReported(FindingKind.Hives, true), fact.Statements);
        Assert.Contains(new Statement.Recovered(false), fact.Statements);
    }

    [Fact]
    public void Contradictions_without_a_cautious_side_are_refused() =>
        Assert.Equal(
            "Observation.component",
            FhirJson.CheckIn().Adding(FhirJson.Component("follow-up", "valueBoolean", true)).Adding(FhirJson.Component("follow-up", "valueBoolean", false)).Refused().Path);

    [Theory]
    [InlineData("breathing-difficulty", FindingKind.BreathingDifficulty)]
    [InlineData("facial-swelling", FindingKind.FacialSwelling)]
    [InlineData("vision-change", FindingKind.VisionChange)]
    [InlineData("planning-pregnancy", FindingKind.PlanningPregnancy)]
    [InlineData("breastfeeding", FindingKind.Breastfeeding)]
    [InlineData("waxing", FindingKind.Waxing)]
    [InlineData("caution", FindingKind.Caution)]
    public void A_finding_is_there_or_not_there(string code, FindingKind kind)
    {
        Assert.Equal([new Statement.FindingReported(kind, true)], FhirJson.Observation(code, "valueBoolean", true).Observation().Statements);
        Assert.Equal([new Statement.FindingReported(kind, false)], FhirJson.Observation(code, "valueBoolean", false).Observation().Statements);
        Assert.Equal([new Statement.FindingReported(kind, true)], Coded(code, Forms, "ja").Observation().Statements);
        Assert.False(FhirJson.Observation(code, "valueBoolean", true).Observation().IsPanel);
    }

    [Fact]
    public void Every_sign_and_finding_of_the_core_has_a_code()
    {
        foreach (Sign sign in Enum.GetValues<Sign>())
        {
            Assert.Equal([new Statement.Graded(sign, Grade.Mild)], FhirJson.Observation(sign.Code(), "valueInteger", 1).Observation().Statements);
        }

        foreach (FindingKind kind in Enum.GetValues<FindingKind>())
        {
            Assert.Equal([new Statement.FindingReported(kind, true)], FhirJson.Observation(kind.Code(), "valueBoolean", true).Observation().Statements);
        }
    }

    [Theory]
    [InlineData("247441003", Sign.Erythema)]
    [InlineData("271767006", Sign.Scaling)]
    [InlineData("16386004", Sign.Dryness)]
    [InlineData("418363000", Sign.Pruritus)]
    public void Signs_are_known_by_their_SNOMED_CT_codes(string code, Sign sign) =>
        Assert.Equal(
            [new Statement.Graded(sign, Grade.Moderate)],
            FhirJson.Observation("x", "valueInteger", 2).With(o => o["code"] = FhirJson.Concept(FhirJson.Snomed, code)).Observation().Statements);

    [Theory]
    [InlineData("278528006")]
    [InlineData("41291007")]
    public void Swelling_of_the_face_is_known_by_its_SNOMED_CT_codes(string code) =>
        Assert.Equal(
            [new Statement.FindingReported(FindingKind.FacialSwelling, true)],
            FhirJson.Observation("x", "valueBoolean", true).With(o => o["code"] = FhirJson.Concept(FhirJson.Snomed, code)).Observation().Statements);

    [Theory]
    [InlineData(Loinc, "LA15173-0", true)]
    [InlineData(Loinc, "LA26683-5", false)]
    [InlineData(Loinc, "LA4489-6", null)]
    [InlineData(FhirJson.Snomed, "77386006", true)]
    [InlineData(FhirJson.Snomed, "60001007", false)]
    [InlineData(FhirJson.Snomed, "102874004", true)]
    public void Pregnancy_status_is_read_from_LOINC(string system, string answer, bool? pregnant)
    {
        JsonObject observation = Coded("x", system, answer).With(o => o["code"] = FhirJson.Concept(Loinc, "82810-3"));

        Assert.Equal(pregnant is { } yes ? [new Statement.FindingReported(FindingKind.Pregnancy, yes)] : [], observation.Observation().Statements);
    }

    [Fact]
    public void The_other_codes_say_their_own()
    {
        Assert.Equal([new Statement.ProcedurePlanned(new(2026, 5, 2))], FhirJson.Observation("procedure-planned", "valueDateTime", "2026-05-02").Observation().Statements);
        Assert.Equal([new Statement.ProcedurePlanned(new(2026, 5, 2))], FhirJson.Observation("procedure-planned", "valueDateTime", "2026-05-02T23:30:00-08:00").Observation().Statements);
        Assert.Equal([new Statement.Recovered(true)], FhirJson.Observation("recovered", "valueBoolean", true).Observation().Statements);
        Assert.Equal([new Statement.FollowUp(true)], FhirJson.Observation("follow-up", "valueBoolean", true).Observation().Statements);
        Assert.Equal([new Statement.EffectSeen(Effect.NoneSeen)], Coded("effect", FhirJson.Tolerability, "none-seen").Observation().Statements);
        Assert.Equal([new Statement.EffectSeen(Effect.MoreWanted)], Coded("effect", Forms, "would-like-more").Observation().Statements);
    }

    [Theory]
    [InlineData("nights-applied", "valueInteger", "-1")]
    [InlineData("nights-applied", "valueInteger", "367")]
    [InlineData("missed-applications", "valueQuantity", """{"value":0.5}""")]
    [InlineData("procedure-planned", "valueDateTime", "\"2026-05\"")]
    [InlineData("effect", "valueString", "\"enough\"")]
    [InlineData("hives", "valueInteger", "1")]
    public void Values_that_cannot_be_are_refused_where_they_stand(string code, string member, string value) =>
        Assert.Equal($"Observation.{member}", Single(code, member, value).Refused().Path);

    private static JsonObject Single(string code, string member, string value) => FhirJson.Observation(code, member, JsonNode.Parse(value));

    private static JsonObject Coded(string code, string system, string answer) =>
        FhirJson.Observation(code, "valueCodeableConcept", FhirJson.Concept(system, answer));

    private static JsonObject Absent(string code) => Absent(code, new JsonObject { ["code"] = FhirJson.Concept(FhirJson.Tolerability, code) });

    private static JsonObject Absent(string code, JsonObject item) =>
        item.With(i => i["dataAbsentReason"] = FhirJson.Concept("http://terminology.hl7.org/CodeSystem/data-absent-reason", "asked-declined", code));
}
