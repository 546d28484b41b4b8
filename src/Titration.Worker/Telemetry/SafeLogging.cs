using Microsoft.Extensions.DependencyInjection.Extensions;
using Microsoft.Extensions.Options;
using Titration.Worker.Hosting;

namespace Titration.Worker.Telemetry;

/// <summary>
/// Stands between everybody who logs and wherever logs go, whatever the levels are set to: no message of an exception gets through, no scope, and nothing
/// of those who log addresses. Trouble that passes by itself is a line without any stack, once a minute.
/// </summary>
/// <param name="inner">Filters, and hands on to the providers.</param>
/// <param name="time">For the minute.</param>
public sealed class SafeLoggerFactory(ILoggerFactory inner, TimeProvider time) : ILoggerFactory
{
    /// <summary>These write the addresses of requests, which hold ids of resources; what is of use in them the service says itself.</summary>
    private static readonly string[] WriteAddresses = ["Microsoft.AspNetCore", "System.Net.Http"];

    private readonly RepeatedTrouble _troubles = new(time);

    public static void Add(IServiceCollection services) => services.Replace(ServiceDescriptor.Singleton<ILoggerFactory>(provider => new SafeLoggerFactory(new LoggerFactory(
        provider.GetServices<ILoggerProvider>(),
        provider.GetRequiredService<IOptionsMonitor<LoggerFilterOptions>>(),
        provider.GetRequiredService<IOptions<LoggerFactoryOptions>>()), TimeProvider.System)));

    public ILogger CreateLogger(string categoryName) => new SafeLogger(
        inner.CreateLogger(categoryName), _troubles, Array.Exists(WriteAddresses, prefix => categoryName.StartsWith(prefix, StringComparison.Ordinal)) ? LogLevel.Warning : LogLevel.Trace);

    public void AddProvider(ILoggerProvider provider) => inner.AddProvider(provider);

    public void Dispose() => inner.Dispose();

    private sealed class SafeLogger(ILogger inner, RepeatedTrouble troubles, LogLevel least) : ILogger
    {
        // Scopes of others hold paths and ids of requests and messages; ours has none.
        public IDisposable? BeginScope<TState>(TState state) where TState : notnull => null;

        public bool IsEnabled(LogLevel logLevel) => logLevel >= least && inner.IsEnabled(logLevel);

        public void Log<TState>(LogLevel logLevel, EventId eventId, TState state, Exception? exception, Func<TState, Exception?, string> formatter)
        {
            if (!IsEnabled(logLevel))
            {
                return;
            }

            Exception? quoted = exception ?? QuotedIn(state);
            if (quoted is null)
            {
                inner.Log(logLevel, eventId, state, null, formatter);
            }
            else if (Infrastructure.IsTrouble(quoted))
            {
                if (troubles.IsToBeTold(quoted, out int untold))
                {
                    string said = IsSafe(state, exception) ? formatter(state, null) : $"{eventId.Name ?? "It failed"}.";
                    string before = untold == 0 ? "" : $", {untold} more since the last such line";
                    string told = $"{said} ({SafeException.KindOf(quoted)}{before}; told once a minute)";
                    inner.Log(logLevel, eventId, told, null, static (text, _) => text);
                }
            }
            else if (IsSafe(state, exception))
            {
                SafeException safe = new(quoted);
                inner.Log(logLevel, eventId, state, safe, formatter);
            }
            else
            {
                // The message itself quotes the exception: only what happened is left of it.
                SafeException safe = new(quoted);
                string happened = $"{eventId.Name ?? "An error"}: {safe.Message}";
                inner.Log(logLevel, eventId, happened, safe, static (text, _) => text);
            }
        }

        /// <summary>Whether the message says nothing of what the exception says.</summary>
        private static bool IsSafe<TState>(TState state, Exception? exception) =>
            exception is not null && QuotedIn(state) is null && !Repeats(state, exception);

        private static Exception? QuotedIn<TState>(TState state) =>
            (state as IEnumerable<KeyValuePair<string, object?>>)?.Select(v => v.Value).OfType<Exception>().FirstOrDefault();

        /// <summary>Whether a value of the message is, or holds, the message of the exception or of one inside it.</summary>
        private static bool Repeats<TState>(TState state, Exception exception)
        {
            if (state is not IEnumerable<KeyValuePair<string, object?>> values)
            {
                return true;
            }

            string[] texts = [.. values.Select(v => v.Value).OfType<string>()];
            for (Exception? one = exception; one is not null; one = one.InnerException)
            {
                string message = one.Message;
                if (message.Length > 0 && Array.Exists(texts, t => t.Contains(message, StringComparison.Ordinal)))
                {
                    return true;
                }
            }

            return false;
        }
    }
}
