using System.Security.Cryptography;
using System.Text;

namespace Titration.Worker.Configuration;

/// <summary>
/// Keyed hashes of patients' ids (HMAC-SHA-256, RFC 2104) by the clinic's key: whoever has not the key can neither go back to an id nor try ids out. Each purpose
/// has its own, so that a mark in the database says nothing about a trace.
/// </summary>
public sealed class PatientMarks(string key)
{
    private readonly byte[] _key = Encoding.UTF8.GetBytes(key);

    /// <summary>The mark of the key itself: another key does not make it.</summary>
    public byte[] OfKey => Hash("key:");

    /// <summary>What an erased patient leaves in the database.</summary>
    public byte[] OfErased(string patient) => Hash($"erased:{patient}");

    /// <summary>What stands for a patient in traces: 32 hexadecimal digits.</summary>
    public string InTelemetry(string patient) => Convert.ToHexStringLower(Hash($"telemetry:{patient}").AsSpan(0, 16));

    private byte[] Hash(string text) => HMACSHA256.HashData(_key, Encoding.UTF8.GetBytes(text));
}
