namespace Titration.Worker.Commands;

/// <summary>What a command's exit code says.</summary>
public static class ExitCode
{
    public const int Done = 0;

    /// <summary>It ran, and found something wrong.</summary>
    public const int Found = 1;

    /// <summary>It was called or configured wrongly; nothing was started.</summary>
    public const int Usage = 2;
}
