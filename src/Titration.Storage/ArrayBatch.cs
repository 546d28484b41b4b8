using System.Collections.Immutable;
using Microsoft.EntityFrameworkCore;
using Microsoft.EntityFrameworkCore.Storage;
using Microsoft.EntityFrameworkCore.Update;
using Npgsql;

namespace Titration.Storage;

/// <summary>
/// What a save writes to PostgreSQL. Rows of one table that are written in the same columns go in one statement, each column an array: what the database does for
/// a statement costs more than a row does, and a group of messages has some dozens of each.
/// </summary>
internal sealed class ArrayBatch : ModificationCommandBatch
{
    private const int Largest = 1000;

    private readonly List<IReadOnlyModificationCommand> _commands = [];
    private bool _more;

    public override IReadOnlyList<IReadOnlyModificationCommand> ModificationCommands => _commands;

    // Several statements: all of them or none.
    public override bool RequiresTransaction => true;

    public override bool AreMoreBatchesExpected => _more;

    public override bool TryAddCommand(IReadOnlyModificationCommand modificationCommand)
    {
        bool room = _commands.Count < Largest;
        if (room)
        {
            _commands.Add(modificationCommand);
        }

        return room;
    }

    public override void Complete(bool moreBatchesExpected) => _more = moreBatchesExpected;

    /// <exception cref="NotSupportedException">Always: nothing here is saved synchronously.</exception>
    public override void Execute(IRelationalConnection connection) => throw new NotSupportedException("Save with SaveChangesAsync.");

    public override async Task ExecuteAsync(IRelationalConnection connection, CancellationToken cancellationToken = default)
    {
        try
        {
            ImmutableArray<ArrayStatement> statements = [.. ArrayStatement.Of(_commands)];
            await using NpgsqlBatch batch = new((NpgsqlConnection)connection.DbConnection, (NpgsqlTransaction?)connection.CurrentTransaction?.GetDbTransaction());
            batch.Timeout = connection.CommandTimeout ?? batch.Timeout;
            foreach (ArrayStatement statement in statements)
            {
                batch.BatchCommands.Add(statement.ToCommand());
            }

            await using (NpgsqlDataReader reader = await batch.ExecuteReaderAsync(cancellationToken))
            {
                // Only a statement that returns something has a result here.
                foreach (ArrayStatement statement in statements.Where(s => s.Generates))
                {
                    await reader.ReadAsync(cancellationToken);
                    statement.TakeGenerated(reader);
                    await reader.NextResultAsync(cancellationToken);
                }
            }

            for (int i = 0; i < statements.Length; i++)
            {
                statements[i].RequireAll(batch.BatchCommands[i].Rows);
            }
        }
        catch (Exception problem) when (problem is not (DbUpdateException or OperationCanceledException))
        {
            throw new DbUpdateException("The rows could not be saved.", problem, [.. _commands.SelectMany(c => c.Entries)]);
        }
    }
}

/// <summary>Makes the batches of a save.</summary>
internal sealed class ArrayBatchFactory : IModificationCommandBatchFactory
{
    public ModificationCommandBatch Create() => new ArrayBatch();
}
