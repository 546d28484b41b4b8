using System.Net.Sockets;
using Microsoft.Data.Sqlite;
using Microsoft.Extensions.Logging;
using Microsoft.Extensions.Time.Testing;
using Npgsql;
using Titration.Worker.Telemetry;
using Xunit;

namespace Titration.Worker.Tests.Telemetry;

/// <summary>What is left of exceptions, log messages and addresses once a patient's data may have been in them.</summary>
public sealed class SafeTelemetryTests
{
    private const string Secret = "Quill";

    [Fact]
    public void Of_an_exception_the_types_the_databases_code_and_the_methods_are_left()
    {
        SafeException safe = new(Thrown());

        Assert.Equal("InvalidOperationException: PostgresException 23505", safe.Message);
        Assert.Contains(nameof(Thrown), safe.StackTrace, StringComparison.Ordinal);
        Assert.DoesNotContain(Secret, safe.ToString(), StringComparison.Ordinal);
        Assert.Null(safe.InnerException);
        Assert.Equal(safe.Message, new SafeException(safe).Message);
    }

    [Fact]
    public void Of_what_SQLite_says_its_code_is_left() => // 13: the disk is full
        Assert.Equal("SqliteException 13", SafeException.KindOf(new SqliteException(Secret, 13, 13)));

    [Fact]
    public void A_message_beside_an_exception_stays_and_one_that_quotes_it_does_not()
    {
        Exception problem = Thrown();
        using Kept kept = new();
        using SafeLoggerFactory factory = new(LoggerFactory.Create(logging => logging.AddProvider(kept)), TimeProvider.System);
        ILogger logger = factory.CreateLogger("Somebody.Else");

        Log(logger, problem, "It failed for the {Number}. time.", 3);
        Log(logger, problem, "It failed: {Problem}", problem.InnerException!.Message);
        Log(logger, null, "It failed: {Problem}", problem);

        Assert.Equal(
            ["It failed for the 3. time.", "failed: InvalidOperationException: PostgresException 23505", "failed: InvalidOperationException: PostgresException 23505"], kept.Messages);
        Assert.DoesNotContain(Secret, string.Join(' ', kept.All), StringComparison.Ordinal);
    }

    [Fact]
    public void A_database_that_is_away_is_a_line_a_minute_without_any_stack_whoever_meets_it_and_however_often()
    {
        FakeTimeProvider time = new();
        using Kept kept = new();
        using SafeLoggerFactory factory = new(LoggerFactory.Create(logging => logging.AddProvider(kept)), time);
        ILogger logger = factory.CreateLogger("Somebody.Else");
        NpgsqlException away = new(Secret, new SocketException(111));
        Exception meets = new InvalidOperationException(Secret, away);

        for (int second = 0; second < 90; second++)
        {
            Log(logger, meets, "It failed for the {Number}. time.", second);
            Log(logger, away, "It failed: {Problem}", Secret);
            time.Advance(TimeSpan.FromSeconds(1));
        }

        Log(logger, new PostgresException(Secret, "ERROR", "ERROR", "53100"), "It failed for the {Number}. time.", 90);

        Assert.Equal(
            [
                "It failed for the 0. time. (InvalidOperationException: NpgsqlException: SocketException; told once a minute)",
                "It failed for the 60. time. (InvalidOperationException: NpgsqlException: SocketException, 119 more since the last such line; told once a minute)",
                "It failed for the 90. time. (PostgresException 53100; told once a minute)",
            ],
            kept.Messages);
        Assert.DoesNotContain(Secret, string.Join(' ', kept.All), StringComparison.Ordinal);
        Assert.DoesNotContain("   at ", string.Join(' ', kept.All), StringComparison.Ordinal);
    }

    [Theory]
    [InlineData("Microsoft.AspNetCore.Hosting.Diagnostics", LogLevel.Information, 0)]
    [InlineData("System.Net.Http.HttpClient.Default.LogicalHandler", LogLevel.Debug, 0)]
    [InlineData("Microsoft.AspNetCore.Server.Kestrel", LogLevel.Error, 1)]
    [InlineData("Titration.Worker.Delivery.OutboxSender", LogLevel.Debug, 1)]
    public void Who_writes_addresses_is_heard_from_warnings_on_whatever_the_levels_are_set_to(string category, LogLevel level, int heard)
    {
        using Kept kept = new();
        using SafeLoggerFactory factory = new(LoggerFactory.Create(logging => logging.SetMinimumLevel(LogLevel.Trace).AddProvider(kept)), TimeProvider.System);

        factory.CreateLogger(category).Log(level, default, "said", null, (text, _) => text);

        Assert.Equal(heard, kept.Messages.Count);
    }

    [Theory]
    [InlineData("https://fhir.example.org/r4/Patient/quill", "/r4/Patient/{id}")]
    [InlineData("https://fhir.example.org/r4/Observation/7/_history/2", "/r4/Observation/{id}/_history/{id}")]
    [InlineData("https://fhir.example.org/r4/Task?identifier=x|quill", "/r4/Task")]
    [InlineData("https://fhir.example.org/r4/CommunicationRequest/_search", "/r4/CommunicationRequest/_search")]
    [InlineData("https://fhir.example.org/r4/.well-known/smart-configuration", "/r4/.well-known/smart-configuration")]
    [InlineData("https://fhir.example.org/r4/Quill/Patient", "/r4/{id}/Patient")]
    [InlineData("https://elsewhere.example.org/r4/quill", "/{id}/{id}")]
    public void An_address_becomes_its_template(string address, string template) =>
        Assert.Equal(template, AddressRedaction.TemplateOf(new Uri(address), "https://fhir.example.org/r4"));

    private static InvalidOperationException Thrown()
    {
        try
        {
            try
            {
                throw new PostgresException($"Key (patient)=({Secret})", "ERROR", "ERROR", "23505");
            }
            catch (PostgresException inner)
            {
                throw new InvalidOperationException($"{Secret} is there twice", inner);
            }
        }
        catch (InvalidOperationException outer)
        {
            return outer;
        }
    }

    private static void Log(ILogger logger, Exception? problem, string message, object value) => logger.Log(
        LogLevel.Error,
        new EventId(1, "failed"),
        (IReadOnlyList<KeyValuePair<string, object?>>)[new(message[(message.IndexOf('{', StringComparison.Ordinal) + 1)..message.IndexOf('}', StringComparison.Ordinal)], value)],
        problem,
        (state, _) => message.Replace($"{{{state[0].Key}}}", $"{state[0].Value}", StringComparison.Ordinal));

    private sealed class Kept : ILoggerProvider, ILogger
    {
        public List<string> Messages { get; } = [];

        public List<string> All { get; } = [];

        public ILogger CreateLogger(string categoryName) => this;

        public IDisposable? BeginScope<TState>(TState state) where TState : notnull => null;

        public bool IsEnabled(LogLevel logLevel) => true;

        public void Log<TState>(LogLevel logLevel, EventId eventId, TState state, Exception? exception, Func<TState, Exception?, string> formatter)
        {
            Messages.Add(formatter(state, exception));
            All.Add($"{formatter(state, exception)} {state} {exception}");
        }

        public void Dispose()
        {
            // Nothing is open.
        }
    }
}
