using System.Collections.Immutable;
using Titration.Storage.Delivery;
using Titration.Storage.Ledger;

namespace Titration.Worker.Telemetry;

/// <summary>How much stands where, as the database had it at one moment: what the gauges show until the next look.</summary>
/// <param name="At">That moment.</param>
/// <param name="Held">Messages in quarantine.</param>
/// <param name="Outbox">Depth and age of the outbox.</param>
/// <param name="Due">Patients whose next look has come.</param>
/// <param name="UnconfirmedStat">Emergency messages that have not left 5 minutes after they were decided.</param>
/// <param name="UnexportedSince">When the oldest checkpoint of the ledger was taken that is not in its folder; null: all are.</param>
/// <param name="Courses">Courses by outcome and step.</param>
public sealed record Depths(DateTimeOffset At, int Held, OutboxDepth Outbox, int Due, int UnconfirmedStat, DateTimeOffset? UnexportedSince, ImmutableArray<CourseCount> Courses);
