using System.Text.Json.Nodes;
using Titration.Fhir.Reading;
using Titration.Protocol.Facts;
using Titration.TestKit.Builders;
using Xunit;

namespace Titration.Fhir.Tests.Reading;

public sealed class ProductTests
{
    private const string RxNorm = Codes.Systems.RxNorm;
    private const string Formulary = "https://clinic.example.org/formulary";

    [Fact]
    public void The_happy_path_is_tretinoin_with_the_strength_its_text_names()
    {
        PrescriptionFact fact = FhirJson.MedicationRequest().Prescription();

        Assert.Equal(new Product(ProductRole.Titrated, "tretinoin", 0.025m), fact.Product);
        Assert.Empty(fact.Doubts);
    }

    [Theory]
    [InlineData("Tretinoin 0.025 % cream", "0.025")]
    [InlineData("Tretinoin 0,025% cream", "0.025")]
    [InlineData("TRETINOIN 0.05 PERCENT", "0.05")]
    [InlineData("Tretinoin 0.1 per cent", "0.1")]
    [InlineData("Tretinoin 0.25 mg/g cream", "0.025")]
    [InlineData("Tretinoin 0.5mg/1g", "0.05")]
    [InlineData("Tretinoin 0.025 % cream (0.25 mg/g)", "0.025")]
    [InlineData("Tretinoin cream", null)]
    [InlineData("Tretinoin 0.025 % or 0.05 % cream", null)]
    [InlineData("Tretinoin 0.025 % in 5 % urea", null)]
    [InlineData("Tretinoin 0.02 % cream", null)]
    [InlineData("Tretinoin 10.025 % cream", null)]
    [InlineData("Tretinoin 0.0.025 % cream", null)]
    [InlineData("Tretinoin 0.25 mg per application", null)]
    public void A_strength_in_words_is_taken_only_where_it_is_unambiguous(string text, string? percent)
    {
        PrescriptionFact fact = FhirJson.MedicationRequest(product: text).Prescription();

        Assert.Equal(percent is null ? null : decimal.Parse(percent, System.Globalization.CultureInfo.InvariantCulture), fact.Product.StrengthPercent);
        Assert.Equal(percent is null ? [DosageDoubt.StrengthUnknown] : [], fact.Doubts);
    }

    [Theory]
    [InlineData("D10AD53", "Adapalene 0.1 % / benzoyl peroxide 2.5 % gel", "adapalene", "0.1")]
    [InlineData("D10AD51", "Clindamycin 1.2 % / tretinoin 0.025 % gel", "tretinoin", "0.025")]
    public void In_a_combination_the_strength_is_the_one_the_ingredient_has(string atc, string text, string ingredient, string percent)
    {
        Product product = FhirJson.MedicationRequest(atc: atc, product: text).Prescription().Product;

        Assert.Equal(
            new Product(ProductRole.Titrated, ingredient, decimal.Parse(percent, System.Globalization.CultureInfo.InvariantCulture), PartOfCombination: true),
            product);
    }

    [Fact]
    public void A_strength_too_long_in_words_to_be_a_name_is_unknown() =>
        Assert.Null(FhirJson.MedicationRequest(product: "0.025 %" + new string('x', 600)).Prescription().Product.StrengthPercent);

    [Theory]
    [InlineData("106302", "Cream", "0.025")]
    [InlineData("198300", "Cream", "0.1")]
    [InlineData("106302", "Tretinoin 0.05 % cream", null)]
    public void A_code_says_its_strength_and_words_may_not_contradict_it(string code, string text, string? percent)
    {
        JsonObject order = FhirJson.MedicationRequest().With(o => o["medicationCodeableConcept"] = FhirJson.Concept(RxNorm, code, text));

        Assert.Equal(
            percent is null ? null : decimal.Parse(percent, System.Globalization.CultureInfo.InvariantCulture),
            order.Prescription().Product.StrengthPercent);
    }

    [Fact]
    public void Two_codes_of_different_strength_leave_it_unknown()
    {
        JsonObject order = FhirJson.MedicationRequest(product: "Tretinoin cream").With(o => Codings(o).Add(Coding(RxNorm, "106302")));
        Codings(order).Add(Coding(RxNorm, "106303"));

        Assert.Equal([DosageDoubt.StrengthUnknown], order.Prescription().Doubts);
    }

    [Fact]
    public void Codes_of_two_retinoids_are_refused()
    {
        ResourceReading.Refused refused = FhirJson.MedicationRequest().With(o => Codings(o).Add(Coding(FhirJson.Atc, "D10AD03"))).Refused();

        Assert.Equal("MedicationRequest.medicationCodeableConcept.coding", refused.Path);
    }

    [Fact]
    public void A_retinoid_coded_beside_benzoyl_peroxide_is_a_combination()
    {
        JsonObject order = FhirJson.MedicationRequest(atc: "D10AD03", product: "Gel 0.1 % / 2.5 %").With(o => Codings(o).Add(Coding(FhirJson.Atc, "D10AE01")));

        Assert.Equal(new Product(ProductRole.Titrated, "adapalene", 0.1m, PartOfCombination: true), order.Prescription().Product);
    }

    [Theory]
    [InlineData("D10BA01", ProductRole.OtherRetinoid, "isotretinoin, oral")]
    [InlineData("D10AD02", ProductRole.OtherRetinoid, "retinol")]
    [InlineData("D10AE01", ProductRole.Interacting, "benzoyl peroxide")]
    public void Other_products_that_matter_are_read_whatever_their_dosage(string atc, ProductRole role, string ingredient)
    {
        JsonObject order = FhirJson.MedicationRequest(atc: atc, product: "20 mg capsules").With(o => o.Dose()["code"] = "{capsule}");
        order.Repeat()["boundsPeriod"] = new JsonObject { ["start"] = "2026-04-01" };

        PrescriptionFact fact = order.Prescription();

        Assert.Equal((role, ingredient), (fact.Product.Role, fact.Product.Ingredient));
        Assert.Empty(fact.Doubts);
        Assert.Empty(fact.Phases);
        Assert.Equal(ClinicalTime.On(new DateOnly(2026, 4, 1)), fact.Start);
    }

    [Fact]
    public void The_clinics_mapping_names_products_too()
    {
        JsonObject order = FhirJson.MedicationRequest().With(o => o["medicationCodeableConcept"] = FhirJson.Concept(Formulary, "TRET-025-CR"));

        Assert.Equal(new Product(ProductRole.Titrated, "tretinoin", 0.025m), order.Prescription().Product);
    }

    [Theory]
    [InlineData(Formulary, "SOMETHING")]
    [InlineData(RxNorm, "1")]
    [InlineData(FhirJson.Atc, "D10AD99")]
    [InlineData(FhirJson.Atc, "L01XF01")]
    public void A_product_that_might_be_ours_is_parked_with_its_codes(string system, string code)
    {
        JsonObject order = FhirJson.MedicationRequest().With(o => o["medicationCodeableConcept"] = FhirJson.Concept(system, code));

        Assert.Equal([new SystemCode(system, code)], Assert.IsType<ResourceReading.Unmapped>(order.Read()).Codes);
    }

    [Fact]
    public void A_product_in_words_only_is_parked_without_codes()
    {
        JsonObject order = FhirJson.MedicationRequest().With(o => o["medicationCodeableConcept"] = new JsonObject { ["text"] = "Tretinoin 0.025 % cream" });

        Assert.Empty(Assert.IsType<ResourceReading.Unmapped>(order.Read()).Codes);
    }

    [Theory]
    [InlineData(FhirJson.Atc, "N02BA01")]
    [InlineData(Formulary, "EMOLLIENT-01")]
    public void A_product_that_cannot_be_ours_is_skipped(string system, string code)
    {
        JsonObject order = FhirJson.MedicationRequest().With(o => o["medicationCodeableConcept"] = FhirJson.Concept(system, code));

        Assert.IsType<ResourceReading.Skipped>(order.Read());
    }

    [Fact]
    public void A_contained_Medication_is_read()
    {
        JsonObject order = Referring("#m").With(o => o["contained"] = new JsonArray(Medication("m")));

        Assert.Equal("tretinoin", order.Prescription().Product.Ingredient);
    }

    [Fact]
    public void A_contained_Medication_that_is_not_there_is_refused() =>
        Assert.Equal("MedicationRequest.medicationReference.reference", Referring("#m").Refused().Path);

    [Theory]
    [InlineData("Medication/m", "Medication/m")]
    [InlineData("https://fhir.clinic.example.org/r4/Medication/m/_history/3", "Medication/m/_history/3")]
    public void A_Medication_elsewhere_has_to_be_fetched(string reference, string fetch) =>
        Assert.Equal([fetch], Assert.IsType<ResourceReading.Incomplete>(Referring(reference).Read()).References);

    [Fact]
    public void The_order_is_read_together_with_the_Medication_that_was_fetched()
    {
        ResourceReading reading = Readers.Reader.Read(Referring("Medication/m").ToUtf8(), Medication("m").ToUtf8());

        Assert.Equal(new Product(ProductRole.Titrated, "tretinoin", 0.05m), Assert.IsType<PrescriptionFact>(reading.Fact()).Product);
    }

    [Fact]
    public void Something_else_fetched_for_a_Medication_is_refused() =>
        Assert.IsType<ResourceReading.Refused>(Readers.Reader.Read(Referring("Medication/m").ToUtf8(), FhirJson.Patient().ToUtf8()));

    [Fact]
    public void A_Medication_in_the_same_Bundle_need_not_be_fetched()
    {
        JsonObject bundle = FhirJson.Bundle("searchset", Referring("Medication/m"), Medication("m"));

        Assert.IsType<ResourceReading.Understood>(bundle.ReadAll()[0]);
        Assert.IsType<ResourceReading.Skipped>(bundle.ReadAll()[1]);
    }

    [Theory]
    [InlineData("Medication/m/_history/2", true)]
    [InlineData("Medication/m/_history/1", false)]
    public void A_named_version_of_a_Medication_is_not_replaced_by_another(string reference, bool isThere)
    {
        JsonObject medication = Medication("m").With(m => m["meta"] = new JsonObject { ["versionId"] = "2" });

        Assert.Equal(isThere, FhirJson.Bundle("searchset", Referring(reference), medication).ReadAll()[0] is ResourceReading.Understood);
    }

    [Fact]
    public void The_ingredients_of_a_Medication_count_where_its_own_code_is_unknown()
    {
        JsonObject medication = Medication("m").With(m =>
        {
            m["code"] = FhirJson.Concept(Formulary, "OWN-MIX");
            m["ingredient"] = new JsonArray(new JsonObject { ["itemCodeableConcept"] = FhirJson.Concept(FhirJson.Atc, "D10AD01") });
        });

        ResourceReading reading = Readers.Reader.Read(Referring("Medication/m").ToUtf8(), medication.ToUtf8());

        PrescriptionFact fact = Assert.IsType<PrescriptionFact>(reading.Fact());
        Assert.Equal("tretinoin", fact.Product.Ingredient);
        Assert.Equal([DosageDoubt.StrengthUnknown], fact.Doubts);
    }

    private static JsonObject Referring(string reference) => FhirJson.MedicationRequest().Without("medicationCodeableConcept")
        .With(o => o["medicationReference"] = new JsonObject { ["reference"] = reference });

    private static JsonObject Medication(string id) => new()
    {
        ["resourceType"] = "Medication",
        ["id"] = id,
        ["code"] = FhirJson.Concept(FhirJson.Atc, "D10AD01", "Tretinoin 0.05 % cream"),
    };

    private static JsonArray Codings(JsonObject order) => (JsonArray)order["medicationCodeableConcept"]!["coding"]!;

    private static JsonObject Coding(string system, string code) => new() { ["system"] = system, ["code"] = code };
}
