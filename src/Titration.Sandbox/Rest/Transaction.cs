using System.Text.Json;
using Titration.Sandbox.Searching;
using Titration.Sandbox.Storing;

namespace Titration.Sandbox.Rest;

/// <summary>
/// The entries of a transaction, run inside one SQL transaction that ends with the first refusal. Conditions are looked up before anything is written
/// and all ids are given out first, so that entries may refer to each other in any order; then come the creates, the updates and the reads.
/// </summary>
internal sealed class Transaction(FhirStore store, Interactions interactions, IReadOnlyList<BundleEntry> entries)
{
    private readonly Dictionary<string, string> _references = new(StringComparer.Ordinal);
    private readonly HashSet<string> _conditions = new(StringComparer.Ordinal);
    private readonly HashSet<string> _updated = new(StringComparer.Ordinal);
    private readonly EntryAnswer[] _answers = new EntryAnswer[entries.Count];
    private readonly string?[] _newIds = new string?[entries.Count];

    /// <summary>Refuses what is wrong whatever the store holds. It is the slow part, so it comes before the store is locked.</summary>
    public void Check() => ForEach(null, entry => Check(entry.Request));

    /// <summary>To be called inside <see cref="FhirStore.InTransaction"/>, after <see cref="Check()"/>.</summary>
    public IReadOnlyList<EntryAnswer> Run()
    {
        ForEach("PUT", PlanUpdate);
        ForEach("POST", PlanCreate);
        ForEach("POST", Create);
        ForEach("PUT", Update);
        ForEach("GET", entry => _answers[entry.Index] = new EntryAnswer(interactions.Answer(entry.Request!), null, ShowsBody: true));
        return _answers;
    }

    private void ForEach(string? method, Action<BundleEntry> step)
    {
        foreach (BundleEntry entry in entries.Where(e => method is null || e.Request!.Method == method))
        {
            try
            {
                step(entry);
            }
            catch (RefusedException refused)
            {
                throw refused.InEntry(entry.Index);
            }
        }
    }

    private static void Check(FhirRequest? request)
    {
        if (request is null)
        {
            throw RefusedException.BadRequest("required", "The entry has no request.");
        }

        Interactions.RefuseUnsupported(request);
        if (request.Segments is [])
        {
            throw Interactions.BundleInBundle();
        }

        if (request.Method is "POST" or "PUT")
        {
            Interactions.Resource(request, request.Segments[0], request.Segments.ElementAtOrDefault(1));
        }
    }

    private void PlanUpdate(BundleEntry entry)
    {
        string target = string.Join('/', entry.Request!.Segments);
        if (!_updated.Add(target))
        {
            throw RefusedException.BadRequest("invalid", "Two entries write the same resource.");
        }

        Name(entry, target);
    }

    private void PlanCreate(BundleEntry entry)
    {
        FhirRequest request = entry.Request!;
        string type = request.Segments[0];
        IReadOnlyList<StoredVersion> found = [];
        if (request.IfNoneExist is not null)
        {
            SearchQuery condition = SearchQuery.ParseCondition(type, request.IfNoneExist, request.BaseUrl);
            if (!_conditions.Add($"{type}?{condition.ToQueryString(after: 0)}"))
            {
                throw RefusedException.BadRequest("invalid", "Two entries create on the same condition.");
            }

            found = store.Search(condition with { Count = 2 }).Found;
        }

        switch (found)
        {
            case []:
                string id = store.NewId(type, candidate => _updated.Contains($"{type}/{candidate}"));
                _newIds[entry.Index] = id;
                Name(entry, $"{type}/{id}");
                break;
            case [StoredVersion only]:
                Answer(entry, new WriteOutcome(WriteResult.AlreadyThere, only));
                Name(entry, only.Reference);
                break;
            default:
                Answer(entry, new WriteOutcome(WriteResult.SeveralMatch, null));
                break;
        }
    }

    private void Create(BundleEntry entry)
    {
        if (_newIds[entry.Index] is string id)
        {
            Answer(entry, store.CreateAs(id, Resolved(entry)));
        }
    }

    private void Update(BundleEntry entry)
    {
        Answer(entry, store.Update(Resolved(entry), Interactions.VersionIn(entry.Request!.IfMatch)));
    }

    private JsonElement Resolved(BundleEntry entry) => BundleReferences.Resolve(entry.Request!.Body!.Value, _references);

    private void Answer(BundleEntry entry, WriteOutcome outcome) =>
        _answers[entry.Index] = new EntryAnswer(Interactions.Written(outcome), null, ShowsBody: false);

    private void Name(BundleEntry entry, string reference)
    {
        if (entry.FullUrl is not null && !_references.TryAdd(entry.FullUrl, reference))
        {
            throw RefusedException.BadRequest("invalid", "Two entries have the same fullUrl.");
        }
    }
}
