using Titration.Storage.Model;

namespace Titration.Worker.Delivery;

/// <summary>How the delivery of an entry went.</summary>
/// <param name="Held">What the server holds of the communication now.</param>
/// <param name="Trouble">What stood in the way; null: nothing.</param>
/// <param name="Dropped">True where the grounds had gone before anything left.</param>
public sealed record Delivered(IReadOnlyCollection<SentResourceRow> Held, ServerAnswer? Trouble, bool Dropped = false)
{
    public static readonly Delivered AsDropped = new([], null, Dropped: true);

    public string Result => Trouble switch
    {
        null => Dropped ? "dropped" : "sent",
        ServerAnswer.Unavailable unavailable => unavailable.Reason,
        ServerAnswer.Conflict => "conflict",
        ServerAnswer.Refused => "refused",
        _ => "missing",
    };
}
