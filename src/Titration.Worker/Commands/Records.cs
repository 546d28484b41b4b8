using System.Data.Common;
using System.Text.Encodings.Web;
using System.Text.Json;
using Microsoft.Data.Sqlite;
using Spectre.Console;
using Spectre.Console.Rendering;
using Titration.Storage;
using Titration.Worker.Configuration;

namespace Titration.Worker.Commands;

/// <summary>What the commands share that work on what is recorded: on the database alone, whether or not the service runs.</summary>
internal static class Records
{
    private const int FileWidth = 240;
    private const int Unlimited = 10_000;

    public static readonly JsonSerializerOptions Json = new(JsonSerializerDefaults.Web)
    {
        WriteIndented = true,
        Encoder = JavaScriptEncoder.UnsafeRelaxedJsonEscaping,
    };

    /// <summary>Opens the database of the settings and works on it. Whatever stands in the way is one line, and exit code 2.</summary>
    public static async Task<int> UseAsync(Func<TitrationDbContext, RecordSettings, Task<int>> work, CancellationToken cancellationToken)
    {
        if (CommandSettings.LoadRecords() is not { } settings)
        {
            return ExitCode.Usage;
        }

        if (settings.Database.Provider == DatabaseProvider.Sqlite)
        {
            // Opening would make an empty one.
            string file = new SqliteConnectionStringBuilder(settings.Database.ConnectionString).DataSource;
            if (!File.Exists(file))
            {
                return Refuse($"there is no database at \"{file}\"; run this in the service's folder, or set Titration__DataFolder or Titration__Database__ConnectionString");
            }
        }

        try
        {
            await using TitrationDbContext database = StorageServices.CreateContext(settings.Database);
            return (await database.SchemaStateAsync(cancellationToken)).IsCurrent
                ? await work(database, settings)
                : Refuse("the database's schema does not fit this version; run: titration database migrate");
        }
        catch (DbException problem)
        {
            return Refuse($"the database cannot be used ({problem.GetType().Name} {problem.SqlState}); check Titration__Database__ConnectionString");
        }
    }

    /// <summary>
    /// Writes a table; into a file or a pipe, which have no width, wide enough for a line to stay one. On a terminal too narrow for it each row becomes a few lines, a column each:
    /// what would be broken in the middle of a word can neither be read nor copied.
    /// </summary>
    public static void Write(Table table) => Write(table, AnsiConsole.Console, Console.IsOutputRedirected);

    /// <summary>Writes what wraps well at any width.</summary>
    public static void Write(Grid grid)
    {
        if (Console.IsOutputRedirected)
        {
            AnsiConsole.Profile.Width = FileWidth;
        }

        AnsiConsole.Write(grid);
    }

    internal static void Write(Table table, IAnsiConsole console, bool isFile)
    {
        if (isFile)
        {
            console.Profile.Width = FileWidth;
        }

        RenderOptions options = RenderOptions.Create(console, console.Profile.Capabilities);
        console.Write(isFile || ((IRenderable)table).Measure(options, Unlimited).Max <= console.Profile.Width ? table : Stacked(table, options));
    }

    private static Rows Stacked(Table table, RenderOptions options)
    {
        List<IRenderable> lines = [];
        foreach (TableRow row in table.Rows)
        {
            Grid grid = new Grid().AddColumn(new GridColumn().NoWrap().Padding(2, 0, 2, 0)).AddColumn();
            foreach ((TableColumn column, IRenderable cell) in table.Columns.Zip(row))
            {
                if (cell.Measure(options, Unlimited).Max > 0)
                {
                    grid.AddRow(column.Header, cell);
                }
            }

            lines.AddRange([grid, Text.Empty]);
        }

        return new Rows(lines);
    }

    /// <summary>Says what is wrong with the call.</summary>
    public static int Refuse(string problem)
    {
        Console.Error.WriteLine($"titration: {problem}");
        return ExitCode.Usage;
    }

    /// <summary>Does something to each of the entries that were named, or to all.</summary>
    /// <param name="ids">Named; empty with <paramref name="all"/>.</param>
    /// <param name="all">Whether all are meant.</param>
    /// <param name="one">True where it could be done.</param>
    /// <param name="every">How many it was done to.</param>
    /// <param name="done">What was done, such as <c>to be read again</c>.</param>
    /// <param name="not">Why one cannot be, such as <c>is not held</c>.</param>
    public static async Task<int> EachAsync(long[] ids, bool all, Func<long, Task<bool>> one, Func<Task<int>> every, string done, string not)
    {
        if (all == ids.Length > 0)
        {
            return Refuse("name one or more ids, or --all");
        }

        if (all)
        {
            Console.WriteLine($"{await every()} {done}.");
            return ExitCode.Done;
        }

        int code = ExitCode.Done;
        foreach (long id in ids)
        {
            if (await one(id))
            {
                Console.WriteLine($"{id} {done}.");
            }
            else
            {
                Console.Error.WriteLine($"titration: {id} {not}");
                code = ExitCode.Found;
            }
        }

        return code;
    }
}
