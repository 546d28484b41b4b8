using System.Security.Cryptography;
using BenchmarkDotNet.Attributes;
using Titration.Protocol.Communications;
using Titration.Protocol.Courses;
using Titration.Protocol.Decisions;
using Titration.Protocol.Facts;
using Titration.Protocol.Rules;
using Titration.Storage;
using Titration.Storage.Ledger;
using Titration.Storage.Model;
using Titration.TestKit;

namespace Titration.Benchmarks;

/// <summary>
/// What follows an evaluation: comparing it with what stands, writing it down, and the link of the chain. The baseline is one SHA-256 over the bytes
/// that the chain hashes.
/// </summary>
[MemoryDiagnoser]
public class DecidingBenchmarks
{
    private Evaluation _evaluation = null!;
    private StandingCommunication[] _standing = [];
    private DecisionContentRow _content = null!;
    private ChainRow _chain = null!;

    [GlobalSetup]
    public void Prepare()
    {
        Story story = new Story().Order("2024-03-01T10:00", tube: 30m, fills: 50).CheckIn("2024-03-06T19:00", "0110", applied: 3);
        _evaluation = TitrationPolicy.Evaluate(new PatientHistory("p1", story.Facts), Story.Standard, new AsOf(story.Local("2024-04-30T06:00"), story.Zone))[0];
        _standing = [.. _evaluation.Communications.Skip(1).Select(c => new StandingCommunication(Guid.NewGuid(), c.Kind, c.Cause))];
        _chain = DecisionChain.Empty(Guid.NewGuid());
        _content = new DecisionContentRow
        {
            DecisionId = Guid.NewGuid(),
            ChainId = _chain.Id,
            Sequence = 1,
            Patient = "p1",
            CourseId = _evaluation.Course!.Id,
            Outcome = _evaluation.Outcome,
            Rule = _evaluation.Reasons[0].Rule,
            InputDigest = new string('a', 64),
            FactSequence = story.Facts.Length,
            FactHead = new byte[SHA256.HashSizeInBytes],
            Salt = new byte[DecisionChain.SaltLength],
            Content = StoredJson.Write(_evaluation),
        };
    }

    [Benchmark(Baseline = true)]
    public byte[] HashTheBytes() => SHA256.HashData(_content.Content);

    [Benchmark]
    public byte[] WriteDown() => StoredJson.Write(_evaluation);

    [Benchmark]
    public Reconciliation Reconcile() => Reconciliation.Of(_standing, _evaluation, _content.DecisionId, []);

    [Benchmark]
    public DecisionRow AppendToTheChain()
    {
        _chain.Length = 0;
        return DecisionChain.Append(_chain, _content, _evaluation.AsOf, "policy");
    }
}
