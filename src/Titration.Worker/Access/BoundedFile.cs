namespace Titration.Worker.Access;

/// <summary>Reads files of the clinic's, each with a limit: nothing is read into memory without bound.</summary>
public static class BoundedFile
{
    /// <summary>Protocol, mapping and wording files. The protocol that comes with the service has about 10 KiB.</summary>
    public const int PolicyBytes = 4 * 1024 * 1024;

    /// <summary>A file that <c>evaluate</c> is given, such as the lines of a bulk export.</summary>
    public const int EvaluatedBytes = 256 * 1024 * 1024;

    /// <summary>Tokens, keys and certificates.</summary>
    public const int SecretBytes = 256 * 1024;

    /// <exception cref="IOException">It cannot be read, or is longer than <paramref name="limit"/> bytes.</exception>
    /// <exception cref="UnauthorizedAccessException">It may not be read.</exception>
    public static byte[] Read(string path, int limit)
    {
        using FileStream file = new(path, FileMode.Open, FileAccess.Read, FileShare.ReadWrite | FileShare.Delete, bufferSize: 1);
        using MemoryStream content = new();
        byte[] buffer = new byte[8192];
        int read;
        // By what is read, not by its length: a device has none.
        while ((read = file.Read(buffer)) > 0)
        {
            if (content.Length + read > limit)
            {
                throw new IOException($"The file is larger than {limit} bytes.");
            }

            content.Write(buffer, 0, read);
        }

        return content.ToArray();
    }
}
