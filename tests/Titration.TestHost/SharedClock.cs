using System.IO.MemoryMappedFiles;

namespace Titration.TestHost;

/// <summary>
/// A clock in a file, for a test and the workers that it starts: all of them see the same instant, also one that was killed and started again. It stands
/// until the test moves it. Timers are real.
/// </summary>
public sealed class SharedClock : TimeProvider, IDisposable
{
    private readonly MemoryMappedFile _file;
    private readonly MemoryMappedViewAccessor _ticks;

    private SharedClock(MemoryMappedFile file)
    {
        _file = file;
        _ticks = file.CreateViewAccessor(0, sizeof(long));
    }

    /// <summary>Makes the file.</summary>
    public static SharedClock Create(string path, DateTimeOffset start)
    {
        SharedClock clock = new(MemoryMappedFile.CreateFromFile(path, FileMode.CreateNew, mapName: null, sizeof(long)));
        clock._ticks.Write(0, start.UtcTicks);
        return clock;
    }

    /// <summary>Opens the file of the test.</summary>
    public static SharedClock Open(string path) => new(MemoryMappedFile.CreateFromFile(path, FileMode.Open));

    /// <inheritdoc/>
    public override DateTimeOffset GetUtcNow() => new(_ticks.ReadInt64(0), TimeSpan.Zero);

    /// <summary>Moves on to a later instant.</summary>
    public void MoveTo(DateTimeOffset instant)
    {
        ArgumentOutOfRangeException.ThrowIfLessThan(instant, GetUtcNow());
        _ticks.Write(0, instant.UtcTicks);
    }

    public void Dispose()
    {
        _ticks.Dispose();
        _file.Dispose();
    }
}
