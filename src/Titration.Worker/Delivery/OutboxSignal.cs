using System.Threading.Channels;

namespace Titration.Worker.Delivery;

/// <summary>Wakes the delivery when something was put into the outbox: waiting for the next look would cost an urgent finding seconds.</summary>
public sealed class OutboxSignal
{
    private readonly Channel<bool> _raised = Channel.CreateBounded<bool>(new BoundedChannelOptions(1) { FullMode = BoundedChannelFullMode.DropWrite });

    public void Raise() => _raised.Writer.TryWrite(true);

    /// <summary>Waits until somebody raised it, or for so long at most.</summary>
    public async Task WaitAsync(TimeSpan atMost, TimeProvider time, CancellationToken cancellationToken)
    {
        using CancellationTokenSource limit = new(atMost, time);
        using CancellationTokenSource either = CancellationTokenSource.CreateLinkedTokenSource(limit.Token, cancellationToken);
        try
        {
            await _raised.Reader.ReadAsync(either.Token);
        }
        catch (OperationCanceledException) when (!cancellationToken.IsCancellationRequested)
        {
            // Time is up: the outbox is looked at anyway, since another worker may have filled it.
        }
    }
}
