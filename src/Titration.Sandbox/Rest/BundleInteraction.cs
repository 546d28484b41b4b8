using System.Text.Json;

namespace Titration.Sandbox.Rest;

/// <summary>A batch: each entry on its own. A transaction: see <see cref="Transaction"/>.</summary>
internal sealed class BundleInteraction(FhirStore store)
{
    private readonly Interactions _interactions = new(store);

    public FhirAnswer Answer(FhirRequest request)
    {
        if (request.Body is not JsonElement bundle || FhirJson.ResourceType(bundle) != "Bundle")
        {
            throw RefusedException.BadRequest("invalid", "The base takes a Bundle of type transaction or batch.");
        }

        IReadOnlyList<BundleEntry> entries = BundleEntry.Of(bundle, request.BaseUrl);
        return FhirJson.Text(bundle, "type") switch
        {
            "transaction" => Answered("transaction-response", Run(new Transaction(store, _interactions, entries)), request),
            "batch" => Answered("batch-response", [.. entries.Select(AnswerAlone)], request),
            _ => throw RefusedException.BadRequest("invalid", "The base takes a Bundle of type transaction or batch."),
        };
    }

    private IReadOnlyList<EntryAnswer> Run(Transaction transaction)
    {
        transaction.Check();
        return store.InTransaction(transaction.Run);
    }

    private EntryAnswer AnswerAlone(BundleEntry entry)
    {
        try
        {
            FhirRequest request = entry.Request ?? throw RefusedException.BadRequest("required", "The entry has no request.");
            return new EntryAnswer(_interactions.Answer(request), null, request.Method == "GET");
        }
        catch (RefusedException refused)
        {
            return new EntryAnswer(null, refused, ShowsBody: false);
        }
    }

    private static FhirAnswer Answered(string type, IReadOnlyList<EntryAnswer> answers, FhirRequest request) =>
        new(200, AnswerBundle.Responses(type, answers, request.BaseUrl));
}
