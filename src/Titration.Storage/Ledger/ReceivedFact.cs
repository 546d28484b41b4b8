using Titration.Protocol.Facts;

namespace Titration.Storage.Ledger;

/// <summary>A fact as it arrives.</summary>
/// <param name="Fact">What was read.</param>
/// <param name="ReceivedAt">When it came in.</param>
/// <param name="TraceParent">W3C traceparent of the message; null where it had none.</param>
public sealed record ReceivedFact(Fact Fact, DateTimeOffset ReceivedAt, string? TraceParent = null);
