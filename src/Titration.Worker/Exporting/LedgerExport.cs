using System.Globalization;
using System.Security.Cryptography;
using System.Text;
using System.Text.Json;
using Hl7.Fhir.Model;
using Hl7.Fhir.Serialization;
using Microsoft.EntityFrameworkCore;
using Titration.Fhir.Writing;
using Titration.Storage;
using Titration.Storage.Ledger;
using Titration.Storage.Model;
using Titration.Worker.Configuration;
using Task = System.Threading.Tasks.Task;

namespace Titration.Worker.Exporting;

/// <summary>How much an export holds.</summary>
public sealed record ExportFigures(long Chains, long Decisions, long Facts, long Policies, long Checkpoints, long Provenances, long AuditEvents);

/// <summary>
/// Writes the whole record for an auditor, as it is: what is wrong with it shows there too. Some chains are in memory at a time.
/// </summary>
/// <param name="database">Within a snapshot.</param>
/// <param name="folder">New or empty.</param>
/// <param name="key">Signs the list of hashes; null: it stays unsigned.</param>
/// <param name="resources">Writes the FHIR resources.</param>
public sealed class LedgerExport(TitrationDbContext database, string folder, LedgerKey? key, LedgerResources resources)
{
    private const int ChainsAtOnce = 50;
    private static readonly JsonSerializerOptions Manifest = new(JsonSerializerDefaults.Web) { WriteIndented = true };

    private readonly FhirJsonSerializer _serializer = new();
    private readonly Dictionary<string, string> _protocols = new(StringComparer.Ordinal);
    private ExportFigures _figures = new(0, 0, 0, 0, 0, 0, 0);

    /// <summary>Writes it all.</summary>
    /// <param name="at">Now.</param>
    /// <param name="done">Told how many chains were written.</param>
    /// <param name="cancellationToken">Ends it, and leaves what is there.</param>
    public async Task<ExportFigures> WriteAsync(DateTimeOffset at, Action<long> done, CancellationToken cancellationToken)
    {
        await WritePoliciesAsync(cancellationToken);
        await WriteChainsAsync(done, cancellationToken);
        await WriteCheckpointsAsync(cancellationToken);
        if (key is not null)
        {
            await File.WriteAllTextAsync(Path.Combine(folder, "public-key.pem"), key.PublicPem, cancellationToken);
        }

        await File.WriteAllTextAsync(
            Path.Combine(folder, "manifest.json"),
            JsonSerializer.Serialize(new { exportedAt = at, keyFingerprint = key?.Fingerprint, records = _figures }, Manifest) + "\n",
            cancellationToken);
        await WriteHashesAsync(cancellationToken);
        return _figures;
    }

    private async Task WriteChainsAsync(Action<long> done, CancellationToken cancellationToken)
    {
        await using StreamWriter chains = Open("chains.ndjson"), decisions = Open("decisions.ndjson"), facts = Open("facts.ndjson"),
            provenances = Open("Provenance.ndjson"), audits = Open("AuditEvent.ndjson");
        List<Guid> ids = await database.Chains.OrderBy(c => c.Id).Select(c => c.Id).ToListAsync(cancellationToken);
        foreach (Guid[] page in ids.Chunk(ChainsAtOnce))
        {
            Dictionary<Guid, string> patients = await database.Patients.Where(p => page.Contains(p.ChainId)).ToDictionaryAsync(p => p.ChainId, p => p.Id, cancellationToken);
            foreach (ChainRow chain in await database.Chains.AsNoTracking().Where(c => page.Contains(c.Id)).OrderBy(c => c.Id).ToListAsync(cancellationToken))
            {
                await chains.WriteLineAsync(ExportLines.Of(chain, patients.GetValueOrDefault(chain.Id)));
                _figures = _figures with { Chains = _figures.Chains + 1 };
            }

            await WriteFactsAsync(facts, patients, cancellationToken);
            ILookup<Guid, RecordedWrite> writes = (await WritesAsync([.. patients.Values], cancellationToken)).ToLookup(w => w.Decision);
            await WriteDecisionsAsync(decisions, provenances, page, writes, cancellationToken);
            foreach (RecordedWrite write in writes.SelectMany(w => w).OrderBy(w => w.Patient, StringComparer.Ordinal).ThenBy(w => w.At))
            {
                await audits.WriteLineAsync(_serializer.SerializeToString(resources.AuditEventOf(write)));
                _figures = _figures with { AuditEvents = _figures.AuditEvents + 1 };
            }

            done(page.Length);
        }
    }

    private async Task WriteFactsAsync(StreamWriter facts, Dictionary<Guid, string> patients, CancellationToken cancellationToken)
    {
        Dictionary<string, Guid> chains = patients.ToDictionary(p => p.Value, p => p.Key, StringComparer.Ordinal);
        foreach (FactRow fact in await database.Facts.AsNoTracking().Where(f => patients.Values.Contains(f.Patient))
            .OrderBy(f => f.Patient).ThenBy(f => f.Sequence).ToListAsync(cancellationToken))
        {
            await facts.WriteLineAsync(ExportLines.Of(chains[fact.Patient], fact));
            _figures = _figures with { Facts = _figures.Facts + 1 };
        }
    }

    private async Task WriteDecisionsAsync(
        StreamWriter decisions, StreamWriter provenances, Guid[] page, ILookup<Guid, RecordedWrite> writes, CancellationToken cancellationToken)
    {
        Dictionary<(Guid, long), DecisionContentRow> contents = await database.DecisionContents.AsNoTracking()
            .Where(c => page.Contains(c.ChainId)).ToDictionaryAsync(c => (c.ChainId, c.Sequence), cancellationToken);
        foreach (DecisionRow link in await database.Decisions.AsNoTracking().Where(d => page.Contains(d.ChainId))
            .OrderBy(d => d.ChainId).ThenBy(d => d.Sequence).ToListAsync(cancellationToken))
        {
            DecisionContentRow? content = contents.GetValueOrDefault((link.ChainId, link.Sequence));
            await decisions.WriteLineAsync(ExportLines.Of(new ChainEntry(link, content)));
            _figures = _figures with { Decisions = _figures.Decisions + 1 };
            if (content is not null && content.Rule != DecisionChain.ErasureRule)
            {
                RecordedDecision decision = new(
                    content.DecisionId, content.InputDigest, link.PolicyHash, _protocols.GetValueOrDefault(link.PolicyHash), StoredJson.ReadEvaluation(content.Content),
                    [.. writes[content.DecisionId].Where(w => w.IsNew).Select(w => w.Resource).Distinct(StringComparer.Ordinal)]);
                await provenances.WriteLineAsync(_serializer.SerializeToString(resources.ProvenanceOf(decision)));
                _figures = _figures with { Provenances = _figures.Provenances + 1 };
            }
        }
    }

    /// <summary>What left the outbox: each resource of what was issued, and the request or the task that was changed afterwards.</summary>
    private async Task<IReadOnlyList<RecordedWrite>> WritesAsync(string[] patients, CancellationToken cancellationToken)
    {
        var sent = await (
            from entry in database.Outbox.AsNoTracking()
            where patients.Contains(entry.Patient) && entry.State == OutboxState.Sent && entry.SentAt != null
            join resource in database.SentResources.AsNoTracking() on entry.CommunicationKey equals resource.CommunicationKey
            select new { entry.Patient, entry.DecisionId, entry.Action, SentAt = entry.SentAt!.Value, resource.Role, resource.ResourceType, resource.ServerId })
            .ToListAsync(cancellationToken);
        return
        [
            .. sent.Where(s => s.Action == OutboxAction.Issue || s.Role == (s.Action == OutboxAction.HandOver ? "task" : "communication-request"))
                .Select(s => new RecordedWrite(s.Patient, s.DecisionId, $"{s.ResourceType}/{s.ServerId}", s.Action == OutboxAction.Issue, s.SentAt)),
        ];
    }

    private async Task WritePoliciesAsync(CancellationToken cancellationToken)
    {
        await using StreamWriter policies = Open("policies.ndjson");
        foreach (PolicyRow policy in await database.Policies.AsNoTracking().OrderBy(p => p.Hash).ToListAsync(cancellationToken))
        {
            await policies.WriteLineAsync(ExportLines.Of(policy));
            if (RecordedPolicy.Of(policy) is { } recorded)
            {
                _protocols[policy.Hash] = ClinicPolicy.IdentityOf(recorded.Protocol).VersionedCanonical;
            }

            _figures = _figures with { Policies = _figures.Policies + 1 };
        }
    }

    private async Task WriteCheckpointsAsync(CancellationToken cancellationToken)
    {
        CheckpointFolder checkpoints = new(Path.Combine(folder, "checkpoints"));
        byte[]? previous = null;
        foreach (long id in await database.Checkpoints.OrderBy(c => c.Id).Select(c => c.Id).ToListAsync(cancellationToken))
        {
            Checkpoint checkpoint = (await database.CheckpointAsync(id, cancellationToken))!;
            await checkpoints.WriteAsync(checkpoint, previous, cancellationToken);
            previous = checkpoint.Row.RootHash;
            _figures = _figures with { Checkpoints = _figures.Checkpoints + 1 };
        }
    }

    /// <summary>The list of hashes as <c>sha256sum</c> writes and checks it, and its signature as <c>openssl</c> verifies it.</summary>
    private async Task WriteHashesAsync(CancellationToken cancellationToken)
    {
        StringBuilder list = new();
        foreach (string file in Directory.EnumerateFiles(folder, "*", SearchOption.AllDirectories).Order(StringComparer.Ordinal))
        {
            await using FileStream content = File.OpenRead(file);
            string hash = Convert.ToHexStringLower(await SHA256.HashDataAsync(content, cancellationToken));
            list.Append(CultureInfo.InvariantCulture, $"{hash}  {Path.GetRelativePath(folder, file).Replace('\\', '/')}\n");
        }

        byte[] bytes = Encoding.UTF8.GetBytes(list.ToString());
        await File.WriteAllBytesAsync(Path.Combine(folder, "SHA256SUMS"), bytes, cancellationToken);
        if (key is not null)
        {
            await File.WriteAllBytesAsync(Path.Combine(folder, "SHA256SUMS.sig"), key.Sign(bytes), cancellationToken);
        }
    }

    private StreamWriter Open(string name) => new(Path.Combine(folder, name)) { NewLine = "\n" };
}
