namespace Titration.Benchmarks.Load;

/// <summary>What goes on, on standard error: what is found can be piped.</summary>
internal static class Progress
{
    private static readonly long Start = TimeProvider.System.GetTimestamp();

    public static void Say(string what) => Console.Error.WriteLine($"{TimeProvider.System.GetElapsedTime(Start):hh\\:mm\\:ss} {what}");
}
