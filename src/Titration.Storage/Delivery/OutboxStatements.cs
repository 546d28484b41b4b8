namespace Titration.Storage.Delivery;

/// <summary>The part of the claim that both databases share.</summary>
internal static class OutboxStatements
{
    /// <summary>
    /// Which entries may leave now. Stands after a <c>clock(now)</c>; parameter {0} is 1 where only safety referrals and withdrawals leave.
    /// An entry waits for the earlier entries of its own communication, dead ones included, even when it is stat: a withdrawal
    /// that overtook what it withdraws would leave that standing. Any but a stat entry also waits for the earlier entries of its
    /// patient, except those that cannot leave themselves: because of a dead letter, because they are held back as {0} says, or
    /// because they wait for a better hour or day, or for something of their own that does. Messages to the patient wait for each other even then.
    /// Nothing waits for a hand-over that is held back, not even of its own communication.
    /// </summary>
    public const string Claimable = """
        SELECT o.id
        FROM outbox AS o CROSS JOIN clock
        WHERE o.state IN ('pending', 'leased')
          AND (o.not_before IS NULL OR o.not_before <= clock.now)
          AND (o.lease_until IS NULL OR o.lease_until <= clock.now)
          AND ({0} = 0 OR o.action = 'withdraw' OR o.kind = 'safety-referral')
          AND NOT EXISTS (
              SELECT 1 FROM outbox AS own
              WHERE own.communication_key = o.communication_key AND own.sequence < o.sequence AND own.state IN ('pending', 'leased', 'dead')
                AND NOT (own.action = 'hand-over' AND own.state = 'pending' AND own.paced AND own.not_before > clock.now))
          AND (o.rank = 0 OR NOT EXISTS (
              SELECT 1 FROM outbox AS earlier
              WHERE earlier.patient = o.patient AND earlier.sequence < o.sequence AND earlier.state IN ('pending', 'leased')
                AND ({0} = 0 OR earlier.action = 'withdraw' OR earlier.kind = 'safety-referral')
                AND (NOT earlier.paced OR earlier.not_before IS NULL OR earlier.not_before <= clock.now
                  OR (o.paced AND o.kind <> 'clinic-task' AND o.action <> 'hand-over' AND (o.kind <> 'step-change' OR o.action <> 'issue')
                    AND earlier.kind <> 'clinic-task' AND earlier.action <> 'hand-over' AND (earlier.kind <> 'step-change' OR earlier.action <> 'issue')))
                AND NOT EXISTS (
                    SELECT 1 FROM outbox AS own
                    WHERE own.communication_key = earlier.communication_key AND own.sequence < earlier.sequence
                      AND (own.state = 'dead'
                        OR (own.state = 'pending' AND own.paced AND own.not_before > clock.now AND own.action <> 'hand-over')
                        OR (own.state IN ('pending', 'leased') AND {0} = 1 AND own.action <> 'withdraw' AND own.kind <> 'safety-referral')))))
        ORDER BY o.rank, o.id
        """;
}
