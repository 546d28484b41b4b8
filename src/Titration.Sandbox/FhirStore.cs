using System.Globalization;
using System.Text.Json;
using Microsoft.Data.Sqlite;
using Titration.Sandbox.Searching;
using Titration.Sandbox.Storing;

namespace Titration.Sandbox;

/// <summary>
/// FHIR R4 resources in an SQLite file, every version kept. It stands in for a clinic's server in the demo and where none is configured;
/// that something works against it is never evidence of interoperability.
/// </summary>
/// <remarks>
/// Safe for any number of threads: one connection behind one lock, and each write an immediate SQLite transaction, so that a second process on the
/// same file waits too. It stores what it is given and does not validate; <see cref="FhirEndpoint"/> does. Instants come from the time provider. If
/// that stands still or goes back, a new version is dated a millisecond after the one it replaces, since readers take the newest by that instant.
/// </remarks>
public sealed class FhirStore : IDisposable
{
    private readonly Lock _gate = new();
    private readonly SqliteConnection _connection;
    private readonly StoreStatements _statements;
    private readonly TimeProvider _time;
    private bool _inTransaction;

    private FhirStore(SqliteConnection connection, TimeProvider time)
    {
        _connection = connection;
        _statements = new StoreStatements(connection);
        _time = time;
    }

    /// <summary>Opens the file, or makes it. <c>:memory:</c> is a store that ends with this object.</summary>
    /// <exception cref="InvalidDataException">The file was written by another layout of this store, or by something else.</exception>
    /// <exception cref="SqliteException">The file cannot be opened, or is not an SQLite file.</exception>
    public static FhirStore Open(string path, TimeProvider time) => new(StoreFile.Open(path), time);

    /// <summary>The current version, or null if there never was such a resource.</summary>
    public StoredVersion? Read(string type, string id)
    {
        lock (_gate)
        {
            return Rows(_statements.Read.Query(type, id)).SingleOrDefault();
        }
    }

    /// <summary>One version, or null if there never was one of that number.</summary>
    public StoredVersion? ReadVersion(string type, string id, int version)
    {
        lock (_gate)
        {
            return Rows(_statements.ReadVersion.Query(type, id, version)).SingleOrDefault();
        }
    }

    /// <summary>All versions, newest first; empty if there never was such a resource.</summary>
    public IReadOnlyList<StoredVersion> History(string type, string id)
    {
        lock (_gate)
        {
            return Rows(_statements.History.Query(type, id));
        }
    }

    /// <summary>All versions of all resources, in the order in which they were written.</summary>
    public IEnumerable<StoredVersion> Versions()
    {
        const int Batch = 500;
        long last = 0;
        List<StoredVersion> batch;
        do
        {
            lock (_gate)
            {
                batch = Rows(_statements.After.Query(last, Batch));
                last += Batch;
            }

            foreach (StoredVersion version in batch)
            {
                yield return version;
            }
        }
        while (batch.Count == Batch);
    }

    /// <summary>One page of current versions in the order they were written: what changes while somebody pages is not missed.</summary>
    public SearchPage Search(SearchQuery query)
    {
        lock (_gate)
        {
            using SqliteCommand command = SearchSql.Command(_connection, query);
            using SqliteDataReader reader = command.ExecuteReader();
            List<StoredVersion> found = [];
            long last = 0;
            while (found.Count < query.Count && reader.Read())
            {
                found.Add(Row(reader));
                last = reader.GetInt64(SearchSql.RowColumn);
            }

            return new SearchPage(found, reader.Read() ? last : null);
        }
    }

    /// <summary>Stores a resource under an id of the store's choosing; one it carries is ignored.</summary>
    /// <param name="unlessExists">If one resource fits this search, nothing is written. No other write can come between search and write.</param>
    public WriteOutcome Create(JsonElement resource, SearchQuery? unlessExists = null) => InTransaction(() =>
    {
        IReadOnlyList<StoredVersion> found = unlessExists is null ? [] : Search(unlessExists with { Count = 2 }).Found;
        return found switch
        {
            [] => CreateAs(NewId(TypeOf(resource), _ => false), resource),
            [StoredVersion only] => new WriteOutcome(WriteResult.AlreadyThere, only),
            _ => new WriteOutcome(WriteResult.SeveralMatch, null),
        };
    });

    /// <summary>Stores a further version, even if nothing differs, or the first one under the id the resource carries.</summary>
    /// <param name="ifMatch">The version that must be the current one; null writes whatever stands there.</param>
    public WriteOutcome Update(JsonElement resource, string? ifMatch = null) => InTransaction(() =>
    {
        string type = TypeOf(resource);
        string id = resource.GetProperty("id").GetString()!;
        StoredVersion? current = Read(type, id);
        if (ifMatch is not null && current?.Version.ToString(CultureInfo.InvariantCulture) != ifMatch)
        {
            return new WriteOutcome(WriteResult.VersionMismatch, current);
        }

        return new WriteOutcome(current is null ? WriteResult.Created : WriteResult.Updated, Write(resource, id, current, posted: false));
    });

    /// <summary>
    /// Everything <paramref name="work"/> writes is kept, or, if it throws, nothing; calls within it join it. Other threads wait meanwhile, so it
    /// must not wait for them.
    /// </summary>
    public T InTransaction<T>(Func<T> work)
    {
        lock (_gate)
        {
            if (_inTransaction)
            {
                return work();
            }

            _statements.Begin.Execute();
            _inTransaction = true;
            try
            {
                T result = work();
                _statements.Commit.Execute();
                return result;
            }
            finally
            {
                _inTransaction = false;
                RollBackWhatIsOpen();
            }
        }
    }

    public void Dispose()
    {
        lock (_gate)
        {
            _statements.Dispose();
            _connection.Dispose();
        }
    }

    /// <summary>An id nobody has yet, to be used in the same transaction.</summary>
    /// <param name="isTaken">Whether a client has chosen this id in the same transaction, for a resource that is still to be written.</param>
    internal string NewId(string type, Func<string, bool> isTaken)
    {
        string id;
        do
        {
            using SqliteDataReader reader = _statements.NextId.Query();
            reader.Read();
            id = reader.GetInt64(0).ToString(CultureInfo.InvariantCulture);
        }
        while (isTaken(id) || Read(type, id) is not null);

        return id;
    }

    /// <summary>Creates under an id from <see cref="NewId"/>, within <see cref="InTransaction"/>.</summary>
    internal WriteOutcome CreateAs(string id, JsonElement resource) => new(WriteResult.Created, Write(resource, id, current: null, posted: true));

    private StoredVersion Write(JsonElement resource, string id, StoredVersion? current, bool posted)
    {
        string type = TypeOf(resource);
        int version = (current?.Version ?? 0) + 1;
        DateTimeOffset updated = After(current?.LastUpdated);
        byte[] body = Stamp.Apply(resource, id, version, updated);
        long milliseconds = updated.ToUnixTimeMilliseconds();
        _statements.InsertVersion.Execute(type, id, version, milliseconds, posted, body);
        _statements.PointToLast.Execute(type, id, milliseconds);
        WriteIndex(type, id, current, resource);
        return new StoredVersion(type, id, version, updated, posted, body);
    }

    /// <summary>Mostly little changes between two versions, so only the difference is written.</summary>
    private void WriteIndex(string type, string id, StoredVersion? current, JsonElement resource)
    {
        HashSet<IndexEntry> now = [.. SearchParameters.Index(type, resource)];
        HashSet<IndexEntry> before = [];
        if (current is not null)
        {
            using JsonDocument replaced = JsonDocument.Parse(current.Body);
            before = [.. SearchParameters.Index(type, replaced.RootElement)];
        }

        foreach (IndexEntry entry in before.Except(now))
        {
            _statements.RemoveIndex.Execute(type, entry.Parameter, entry.Value, entry.System, id);
        }

        foreach (IndexEntry entry in now.Except(before))
        {
            _statements.AddIndex.Execute(type, entry.Parameter, entry.Value, entry.System, id);
        }
    }

    private DateTimeOffset After(DateTimeOffset? previous)
    {
        DateTimeOffset now = DateTimeOffset.FromUnixTimeMilliseconds(_time.GetUtcNow().ToUnixTimeMilliseconds());
        return previous >= now ? previous.Value.AddMilliseconds(1) : now;
    }

    private void RollBackWhatIsOpen()
    {
        // SQLite ends the transaction itself after some failures (a full disk); ROLLBACK would then hide the first error behind its own.
        if (SQLitePCL.raw.sqlite3_get_autocommit(_connection.Handle) == 0)
        {
            _statements.Rollback.Execute();
        }
    }

    private static string TypeOf(JsonElement resource) => resource.GetProperty("resourceType").GetString()!;

    private static List<StoredVersion> Rows(SqliteDataReader reader)
    {
        using (reader)
        {
            List<StoredVersion> rows = [];
            while (reader.Read())
            {
                rows.Add(Row(reader));
            }

            return rows;
        }
    }

    private static StoredVersion Row(SqliteDataReader reader) => new(
        reader.GetString(0),
        reader.GetString(1),
        reader.GetInt32(2),
        DateTimeOffset.FromUnixTimeMilliseconds(reader.GetInt64(3)),
        reader.GetBoolean(4),
        reader.GetFieldValue<byte[]>(5));
}
