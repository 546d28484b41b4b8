using System.Collections.Immutable;
using Microsoft.EntityFrameworkCore;
using Microsoft.EntityFrameworkCore.Metadata;
using Npgsql;
using Titration.Storage;
using Titration.Storage.Model;

namespace Titration.Benchmarks.Load;

/// <summary>Writes rows as EF Core would store them, by COPY.</summary>
internal sealed class BulkCopy : IAsyncDisposable
{
    /// <summary>What is referred to stands before what refers to it.</summary>
    private static readonly ImmutableArray<Type> Order =
    [
        typeof(PatientRow), typeof(ChainRow), typeof(FactRow), typeof(CourseRow), typeof(DecisionRow), typeof(DecisionContentRow), typeof(CommunicationRow), typeof(OutboxRow),
        typeof(CheckpointRow), typeof(CheckpointHeadRow),
    ];

    private readonly NpgsqlConnection _connection;
    private readonly TitrationDbContext _model;

    private BulkCopy(NpgsqlConnection connection, TitrationDbContext model)
    {
        _connection = connection;
        _model = model;
    }

    public static async Task<BulkCopy> OpenAsync(LoadSite site, CancellationToken cancellationToken)
    {
        NpgsqlConnection connection = new(site.ConnectionString);
        await connection.OpenAsync(cancellationToken);
        return new BulkCopy(connection, site.Open());
    }

    public async Task WriteAsync(ImmutableArray<object> rows, CancellationToken cancellationToken)
    {
        ILookup<Type, object> byType = rows.ToLookup(r => r.GetType());
        foreach (Type type in Order.Where(byType.Contains))
        {
            await WriteAsync(_model.Model.FindEntityType(type)!, byType[type], cancellationToken);
        }
    }

    public async ValueTask DisposeAsync()
    {
        await _connection.DisposeAsync();
        await _model.DisposeAsync();
    }

    private async Task WriteAsync(IEntityType type, IEnumerable<object> rows, CancellationToken cancellationToken)
    {
        // The outbox's own numbers are the database's to give.
        ImmutableArray<IProperty> columns = [.. type.GetProperties().Where(p => p.ValueGenerated == ValueGenerated.Never)];
        await using NpgsqlBinaryImporter writer = await _connection.BeginBinaryImportAsync(
            $"COPY {type.GetTableName()} ({string.Join(", ", columns.Select(c => c.GetColumnName()))}) FROM STDIN (FORMAT BINARY)", cancellationToken);
        foreach (object row in rows)
        {
            await writer.StartRowAsync(cancellationToken);
            foreach (IProperty column in columns)
            {
                object? value = column.GetGetter().GetClrValue(row);
                value = value is not null && column.GetTypeMapping().Converter is { } converter ? converter.ConvertToProvider(value) : value;
                await (value is null ? writer.WriteNullAsync(cancellationToken) : writer.WriteAsync(value, column.GetColumnType(), cancellationToken));
            }
        }

        await writer.CompleteAsync(cancellationToken);
    }
}
