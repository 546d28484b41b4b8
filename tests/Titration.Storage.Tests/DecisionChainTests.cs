using System.Collections.Immutable;
using System.Security.Cryptography;
using System.Text;
using CsCheck;
using Titration.Protocol.Decisions;
using Titration.Storage.Ledger;
using Titration.Storage.Model;

namespace Titration.Storage.Tests;

/// <summary>The chain by itself: what it hashes, and what shows.</summary>
public sealed class DecisionChainTests
{
    private static readonly Guid ChainId = new("00112233-4455-6677-8899-aabbccddeeff");
    private static readonly DateTimeOffset Start = new(2026, 3, 1, 9, 0, 0, TimeSpan.Zero);

    [Fact]
    public void The_layout_is_the_documented_one()
    {
        (ChainRow chain, ImmutableArray<ChainEntry> entries) = Chain(1);
        DecisionContentRow content = entries[0].Content!;
        byte[] digest = SHA256.HashData(
        [
            .. content.Salt, 2, .. Id(content.DecisionId), .. Text("p"), 1, .. Id(content.CourseId!.Value), 1, .. Text("Maintain"),
            .. Text("rule-1"), .. Text("input-1"), 0, 0, 0, 0, 0, 0, 0, 1, .. content.FactHead, .. Text("{\"n\":1}"),
        ]);
        byte[] hash = SHA256.HashData(
        [
            2, .. new byte[32], .. Convert.FromHexString("00112233445566778899aabbccddeeff"), 0, 0, 0, 0, 0, 0, 0, 1,
            .. Convert.FromHexString("0000019CA8A03E80"), .. Text("policy"), .. digest,
        ]);

        Assert.Equal(digest, entries[0].Decision.ContentDigest);
        Assert.Equal(hash, entries[0].Decision.Hash);
        Assert.Equal(hash, chain.Head);

        static byte[] Id(Guid id) => Convert.FromHexString(id.ToString("N"));
        static byte[] Text(string text) => [0, 0, 0, (byte)text.Length, .. Encoding.UTF8.GetBytes(text)];
    }

    [Fact]
    public void An_untouched_chain_holds_and_so_does_an_empty_one()
    {
        (ChainRow chain, ImmutableArray<ChainEntry> entries) = Chain(5);

        Assert.Null(ChainVerification.Verify(chain, entries));
        Assert.Null(ChainVerification.Verify(DecisionChain.Empty(ChainId), []));
    }

    [Fact]
    public void An_edited_entry_shows_where_it_stands()
    {
        Broken(3, LedgerProblem.HashDiffers, entries => entries.SetItem(2, With(entries[2], d => Copy(d, decidedAt: d.DecidedAt.AddMilliseconds(1)))));
        Broken(3, LedgerProblem.HashDiffers, entries => entries.SetItem(2, With(entries[2], d => Copy(d, policyHash: "other"))));
        Broken(3, LedgerProblem.HashDiffers, entries => entries.SetItem(2, With(entries[2], d => Copy(d, hash: Flip(d.Hash)))));
        Broken(3, LedgerProblem.PreviousHashDiffers, entries => entries.SetItem(2, With(entries[2], d => Copy(d, previousHash: Flip(d.PreviousHash)))));
    }

    [Fact]
    public void An_entry_edited_together_with_its_hash_shows_at_the_next_one()
    {
        Broken(4, LedgerProblem.PreviousHashDiffers, entries => entries.SetItem(2, With(entries[2], d => Copy(
            d,
            policyHash: "other",
            hash: DecisionChain.HashOf(d.PreviousHash, ChainId, d.Sequence, d.DecidedAt, "other", d.ContentDigest)))));
    }

    [Fact]
    public void Edited_content_shows()
    {
        Broken(2, LedgerProblem.ContentDiffers, entries => entries.SetItem(1, entries[1] with { Content = Content(2, outcome: Outcome.StepUp) }));
        Broken(2, LedgerProblem.ContentDiffers, entries => entries.SetItem(1, entries[1] with { Content = Content(2, outcome: null) }));
        Broken(2, LedgerProblem.ContentDiffers, entries => entries.SetItem(1, entries[1] with { Content = Content(2, patient: "q") }));
        Broken(2, LedgerProblem.ContentDiffers, entries => entries.SetItem(1, entries[1] with { Content = Content(2, salt: 9) }));
        Broken(2, LedgerProblem.ContentDiffers, entries => entries.SetItem(1, entries[1] with { Content = entries[2].Content }));
    }

    [Fact]
    public void A_removed_entry_shows_in_the_middle_and_at_either_end()
    {
        Broken(3, LedgerProblem.EntryMissing, entries => entries.RemoveAt(2));
        Broken(1, LedgerProblem.EntryMissing, entries => entries.RemoveAt(0));
        Broken(5, LedgerProblem.EndDiffers, entries => entries.RemoveAt(4));
        Broken(1, LedgerProblem.EndDiffers, _ => []);
    }

    [Fact]
    public void An_entry_put_in_shows()
    {
        Broken(4, LedgerProblem.PreviousHashDiffers, entries => entries.Insert(3, entries[2]));
        Broken(6, LedgerProblem.PreviousHashDiffers, entries => entries.Add(entries[4]));
        Broken(7, LedgerProblem.EndDiffers, entries => entries.Add(NextOf(entries)));

        static ChainEntry NextOf(ImmutableArray<ChainEntry> entries)
        {
            DecisionContentRow content = Content(6);
            ChainRow end = new() { Id = ChainId, Length = 5, Head = entries[4].Decision.Hash, FactHead = [] };
            return new ChainEntry(DecisionChain.Append(end, content, Start.AddHours(1), "policy"), content);
        }
    }

    [Fact]
    public void Another_order_shows_even_with_the_numbers_put_right()
    {
        Broken(2, LedgerProblem.EntryMissing, entries => entries.SetItem(1, entries[2]).SetItem(2, entries[1]));
        Broken(2, LedgerProblem.PreviousHashDiffers, entries => entries
            .SetItem(1, With(entries[2], d => Copy(d, sequence: 2)))
            .SetItem(2, With(entries[1], d => Copy(d, sequence: 3))));
    }

    [Fact]
    public void A_chain_under_another_patients_id_does_not_hold()
    {
        (ChainRow chain, ImmutableArray<ChainEntry> entries) = Chain(2);

        ChainRow other = new() { Id = new Guid("ffffffff-4455-6677-8899-aabbccddeeff"), Length = 2, Head = chain.Head, FactHead = chain.FactHead };

        Assert.Equal(new ChainBreak(1, LedgerProblem.HashDiffers), ChainVerification.Verify(other, entries));
    }

    [Fact]
    public void Content_may_be_missing_only_where_a_later_entry_says_that_it_was_erased()
    {
        Broken(2, LedgerProblem.ContentMissing, entries => entries.SetItem(1, entries[1] with { Content = null }));

        (ChainRow chain, ImmutableArray<ChainEntry> entries) = Chain(3);
        DecisionContentRow erasure = Content(4, rule: DecisionChain.ErasureRule);
        DecisionRow link = DecisionChain.Append(chain, erasure, Start.AddHours(1), "");
        ImmutableArray<ChainEntry> erased = [.. entries.Select(e => e with { Content = null }), new ChainEntry(link, erasure)];

        Assert.Null(ChainVerification.Verify(chain, erased));
        Assert.Equal(
            new ChainBreak(1, LedgerProblem.ContentMissing),
            ChainVerification.Verify(chain, erased.SetItem(3, new ChainEntry(link, null))));
    }

    [Fact]
    public void Any_chain_holds_and_any_flipped_bit_of_it_shows() =>
        Gen.Select(Gen.Int[1, 12], Gen.Int[0, 1000], Gen.Int[0, 7]).Sample((length, place, part) =>
        {
            (ChainRow chain, ImmutableArray<ChainEntry> entries) = Chain(length);
            int at = place % length;
            ChainBreak? clean = ChainVerification.Verify(chain, entries);
            ChainBreak? flipped = ChainVerification.Verify(chain, entries.SetItem(at, FlipPart(entries[at], part)));
            return clean is null && flipped is not null && flipped.Sequence >= at + 1;
        });

    private static ChainEntry FlipPart(ChainEntry entry, int part) => part switch
    {
        0 => With(entry, d => Copy(d, hash: Flip(d.Hash))),
        1 => With(entry, d => Copy(d, previousHash: Flip(d.PreviousHash))),
        2 => With(entry, d => Copy(d, contentDigest: Flip(d.ContentDigest))),
        3 => With(entry, d => Copy(d, policyHash: d.PolicyHash + " ")),
        4 => With(entry, d => Copy(d, decidedAt: d.DecidedAt.AddMilliseconds(-1))),
        5 => With(entry, d => Copy(d, sequence: d.Sequence + 1)),
        6 => entry with { Content = Content(entry.Decision.Sequence, salt: 200) },
        _ => entry with { Content = Content(entry.Decision.Sequence, rule: "other") },
    };

    private static void Broken(long at, LedgerProblem problem, Func<ImmutableArray<ChainEntry>, ImmutableArray<ChainEntry>> change)
    {
        (ChainRow chain, ImmutableArray<ChainEntry> entries) = Chain(5);

        Assert.Equal(new ChainBreak(at, problem), ChainVerification.Verify(chain, change(entries)));
    }

    private static (ChainRow Chain, ImmutableArray<ChainEntry> Entries) Chain(int length)
    {
        ChainRow chain = DecisionChain.Empty(ChainId);
        ImmutableArray<ChainEntry>.Builder entries = ImmutableArray.CreateBuilder<ChainEntry>();
        for (int sequence = 1; sequence <= length; sequence++)
        {
            DecisionContentRow content = Content(sequence);
            entries.Add(new ChainEntry(DecisionChain.Append(chain, content, Start.AddMinutes(sequence - 1), "policy"), content));
        }

        return (chain, entries.DrainToImmutable());
    }

    private static DecisionContentRow Content(
        long sequence, Outcome? outcome = Outcome.Maintain, string patient = "p", string? rule = null, byte? salt = null) => new()
        {
            DecisionId = new Guid($"00000000-0000-0000-0000-{sequence:000000000000}"),
            ChainId = ChainId,
            Sequence = sequence,
            Patient = patient,
            CourseId = sequence % 2 == 1 ? new Guid("00000000-0000-0000-0001-000000000000") : null,
            Outcome = outcome,
            Rule = rule ?? $"rule-{sequence}",
            InputDigest = $"input-{sequence}",
            FactSequence = sequence,
            FactHead = [.. Enumerable.Repeat((byte)(100 + sequence), DecisionChain.SaltLength)],
            Salt = [.. Enumerable.Repeat(salt ?? (byte)sequence, DecisionChain.SaltLength)],
            Content = Encoding.UTF8.GetBytes($$"""{"n":{{sequence}}}"""),
        };

    private static ChainEntry With(ChainEntry entry, Func<DecisionRow, DecisionRow> change) => entry with { Decision = change(entry.Decision) };

    private static DecisionRow Copy(
        DecisionRow row,
        long? sequence = null,
        DateTimeOffset? decidedAt = null,
        string? policyHash = null,
        byte[]? previousHash = null,
        byte[]? contentDigest = null,
        byte[]? hash = null) => new()
        {
            ChainId = row.ChainId,
            Sequence = sequence ?? row.Sequence,
            DecidedAt = decidedAt ?? row.DecidedAt,
            PolicyHash = policyHash ?? row.PolicyHash,
            PreviousHash = previousHash ?? row.PreviousHash,
            ContentDigest = contentDigest ?? row.ContentDigest,
            Hash = hash ?? row.Hash,
        };

    private static byte[] Flip(byte[] bytes) => [(byte)(bytes[0] ^ 1), .. bytes.AsSpan(1)];
}
