using System.Collections.Immutable;
using RabbitMQ.Client;
using RabbitMQ.Client.Exceptions;
using Titration.Worker.Configuration;
using Titration.Worker.Hosting;

namespace Titration.Worker.Checking;

/// <summary>The broker, and what `run` will want of it. Declares nothing that is not there.</summary>
internal static class BrokerCheck
{
    public const string Subject = "broker";

    private const string QueueSubject = $"queue {Messaging.Queue}";
    private const string ExchangeSubject = $"exchange {Messaging.Exchange}";
    private const string TlsSubject = "broker's TLS";
    private static readonly TimeSpan Patience = TimeSpan.FromSeconds(8);

    public static async Task<ImmutableArray<CheckRow>> RunAsync(Settings settings, CancellationToken cancellationToken)
    {
        if (settings.Options.EmbeddedBroker)
        {
            return [CheckRow.Warning(Subject, "none: messages travel in memory, for trying it out", "Set Titration__Broker__Uri to the clinic's RabbitMQ.")];
        }

        Uri address = new(settings.Options.Broker.Uri);
        string where = $"{address.Host}:{(address.Port > 0 ? address.Port : address.Scheme == "amqps" ? 5671 : 5672)}";
        try
        {
            await using IConnection connection = await BrokerAddress.Factory(settings, Patience).CreateConnectionAsync(cancellationToken);
            return
            [
                CheckRow.Ok(Subject, $"{where}, {ServerOf(connection)}"),
                await TlsAsync(settings, address, cancellationToken),
                .. await QueueAsync(connection, cancellationToken),
                await ExchangeAsync(connection, cancellationToken),
                CheckRow.NotChecked("bindings", "a connection cannot see them; `run` makes those that are missing", "To see them: rabbitmqctl list_bindings."),
            ];
        }
        catch (BrokerUnreachableException problem)
        {
            return [Unreachable(where, problem), .. CheckRow.Unseen("no connection to the broker", TlsSubject, QueueSubject, ExchangeSubject)];
        }
        catch (Exception problem) when (problem is OperationInterruptedException or TimeoutException or IOException)
        {
            return [CheckRow.Wrong(Subject, $"{where}: {ReplyOf(problem)}", "See the broker's log.")];
        }
    }

    private static CheckRow Unreachable(string where, BrokerUnreachableException problem)
    {
        Exception[] causes = problem.InnerException is AggregateException many ? [.. many.InnerExceptions] : [problem.InnerException ?? problem];
        Exception cause = causes.SelectMany(c => new[] { c, c.InnerException ?? c }).FirstOrDefault(c => c is AuthenticationFailureException or OperationInterruptedException)
            ?? causes[0];
        return cause switch
        {
            AuthenticationFailureException => CheckRow.Wrong(Subject, $"{where}: it refuses user and password", "Correct them in Titration__Broker__Uri; characters such as / and @ in a password are percent-encoded."),
            OperationInterruptedException refused => CheckRow.Wrong(Subject, $"{where}: {ReplyOf(refused)}", "See whether the virtual host of Titration__Broker__Uri is there and the user may use it (rabbitmqctl list_permissions -p VHOST)."),
            _ when causes.Any(c => c is System.Security.Authentication.AuthenticationException || c.InnerException is System.Security.Authentication.AuthenticationException) =>
                CheckRow.Wrong(Subject, $"{where}: its certificate is not accepted", "Name the clinic's authority with Titration__Broker__Tls__CaFile, and use the host name that the certificate is for."),
            _ => CheckRow.Wrong(Subject, $"{where} does not answer ({cause.GetType().Name})", "See whether it runs and can be reached from here; host, port and scheme are in Titration__Broker__Uri."),
        };
    }

    private static Task<CheckRow> TlsAsync(Settings settings, Uri address, CancellationToken cancellationToken) =>
        TlsCheck.RunAsync(TlsSubject, address, address.Scheme == "amqps", 5671, settings.Security.Broker, cancellationToken);

    /// <summary>Passively first: what is not there stays so. What is there is declared as `run` will, which the broker refuses where it differs.</summary>
    private static async Task<ImmutableArray<CheckRow>> QueueAsync(IConnection connection, CancellationToken cancellationToken)
    {
        QueueDeclareOk? there = await AskAsync(connection, channel => channel.QueueDeclarePassiveAsync(Messaging.Queue, cancellationToken), cancellationToken);
        if (there is null)
        {
            return [CheckRow.Warning(QueueSubject, "not there yet", "Start `titration run` once before anybody publishes: it makes the queue, and what is published before is lost.")];
        }

        CheckRow queue = await QueueAsItMustBeAsync(connection, there, cancellationToken);
        QueueDeclareOk? errors = await AskAsync(connection, channel => channel.QueueDeclarePassiveAsync(Messaging.ErrorQueue, cancellationToken), cancellationToken);
        return errors is { MessageCount: > 0 }
            ? [queue, CheckRow.Warning($"queue {Messaging.ErrorQueue}", $"{errors.MessageCount} messages: each is a defect of the service", "docs/operations.md says what to do with them.")]
            : [queue];
    }

    private static async Task<CheckRow> QueueAsItMustBeAsync(IConnection connection, QueueDeclareOk there, CancellationToken cancellationToken)
    {
        string seen = $"quorum, durable; {there.MessageCount} messages wait, {there.ConsumerCount} consumers";
        try
        {
            await using IChannel channel = await connection.CreateChannelAsync(cancellationToken: cancellationToken);
            await channel.QueueDeclareAsync(
                Messaging.Queue, durable: true, exclusive: false, autoDelete: false, new Dictionary<string, object?>(Messaging.QueueArguments, StringComparer.Ordinal),
                cancellationToken: cancellationToken);
            return CheckRow.Ok(QueueSubject, seen);
        }
        catch (OperationInterruptedException refused) when (refused.ShutdownReason?.ReplyCode == Constants.PreconditionFailed)
        {
            return CheckRow.Wrong(QueueSubject, $"it is there, and not as it must be: {refused.ShutdownReason.ReplyText}", "Empty and delete it; `titration run` makes it anew as a durable quorum queue.");
        }
        catch (OperationInterruptedException refused) when (refused.ShutdownReason?.ReplyCode == Constants.AccessRefused)
        {
            return CheckRow.Warning(QueueSubject, "it is there; its type cannot be seen without the right to configure it", "Give the service's user configure rights on ^titration, as `run` needs them.");
        }
    }

    private static async Task<CheckRow> ExchangeAsync(IConnection connection, CancellationToken cancellationToken)
    {
        try
        {
            await using (IChannel passive = await connection.CreateChannelAsync(cancellationToken: cancellationToken))
            {
                await passive.ExchangeDeclarePassiveAsync(Messaging.Exchange, cancellationToken);
            }

            await using IChannel channel = await connection.CreateChannelAsync(cancellationToken: cancellationToken);
            await channel.ExchangeDeclareAsync(Messaging.Exchange, ExchangeType.Topic, durable: true, autoDelete: false, cancellationToken: cancellationToken);
            return CheckRow.Ok(ExchangeSubject, "topic, durable");
        }
        catch (OperationInterruptedException missing) when (missing.ShutdownReason?.ReplyCode == Constants.NotFound)
        {
            return CheckRow.Warning(ExchangeSubject, "not there yet", "Start `titration run` once: it makes the exchange and binds the queue to it.");
        }
        catch (OperationInterruptedException refused) when (refused.ShutdownReason?.ReplyCode == Constants.PreconditionFailed)
        {
            return CheckRow.Wrong(ExchangeSubject, $"it is there, and not as it must be: {refused.ShutdownReason.ReplyText}", "Make it a durable topic exchange.");
        }
        catch (OperationInterruptedException refused) when (refused.ShutdownReason?.ReplyCode == Constants.AccessRefused)
        {
            return CheckRow.Warning(ExchangeSubject, "it is there; its type cannot be seen without the right to configure it", "`run` needs configure, write and read rights on it.");
        }
    }

    // A refusal closes the channel: each question has its own.
    private static async Task<QueueDeclareOk?> AskAsync(IConnection connection, Func<IChannel, Task<QueueDeclareOk>> ask, CancellationToken cancellationToken)
    {
        try
        {
            await using IChannel channel = await connection.CreateChannelAsync(cancellationToken: cancellationToken);
            return await ask(channel);
        }
        catch (OperationInterruptedException missing) when (missing.ShutdownReason?.ReplyCode == Constants.NotFound)
        {
            return null;
        }
    }

    private static string ServerOf(IConnection connection) =>
        $"{Property(connection, "product")} {Property(connection, "version")}".Trim();

    private static string Property(IConnection connection, string name) =>
        connection.ServerProperties?.TryGetValue(name, out object? value) == true && value is byte[] text ? System.Text.Encoding.UTF8.GetString(text) : "";

    private static string ReplyOf(Exception problem) =>
        problem is OperationInterruptedException { ShutdownReason: { } reason } ? $"{reason.ReplyCode} {reason.ReplyText}" : problem.GetType().Name;
}
