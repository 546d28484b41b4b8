namespace Titration.Worker.Configuration;

/// <summary>Certificates for one connection. The check of the other side's certificate and of its host name cannot be turned off.</summary>
public sealed class TlsOptions
{
    /// <summary>PEM file of the authorities trusted here, in place of the system's; empty: the system's.</summary>
    public string CaFile { get; init; } = "";

    /// <summary>PEM file of our own certificate, intermediates after it; empty: none is shown.</summary>
    public string CertificateFile { get; init; } = "";

    /// <summary>PEM file of the unencrypted private key of <see cref="CertificateFile"/>.</summary>
    public string KeyFile { get; init; } = "";
}

/// <summary>SMART Backend Services: client_credentials with a signed assertion.</summary>
public sealed class SmartOptions
{
    /// <summary>
    /// What the service does and no more (SMART App Launch 2.2: letters in the order c-r-u-d-s; a conditional create needs s). Nothing is
    /// deleted and no MedicationRequest is written.
    /// </summary>
    public const string DefaultScopes =
        "system/Observation.rs system/MedicationRequest.rs system/Medication.r system/Patient.r system/CommunicationRequest.crus system/Task.crus "
        + "system/Provenance.crus system/DetectedIssue.crus system/Flag.crus system/Device.crus";

    /// <summary>The id under which the authorization server knows this service.</summary>
    public string ClientId { get; init; } = "";

    /// <summary>JWKS file with the private key; read at each token request, so that a key can be rolled over without a restart.</summary>
    public string KeysFile { get; init; } = "";

    /// <summary><c>kid</c> of the key to sign with; empty: the first that fits.</summary>
    public string KeyId { get; init; } = "";

    /// <summary><c>RS384</c> or <c>ES384</c>; empty: what the key says, or its type.</summary>
    public string Algorithm { get; init; } = "";

    /// <summary>Empty: from <c>.well-known/smart-configuration</c> below the FHIR base.</summary>
    public string TokenEndpoint { get; init; } = "";

    /// <summary>Separated by blanks.</summary>
    public string Scopes { get; init; } = DefaultScopes;
}

/// <summary>The inbound HTTP endpoint outside of the embedded mode.</summary>
public sealed class InboundOptions
{
    /// <summary>File with the bearer secret that a sender has to show; empty: no inbound HTTP endpoint but the embedded mode's own on loopback.</summary>
    public string TokenFile { get; init; } = "";

    /// <summary>TCP port of the endpoint, HTTPS. Default: 8443. 0: any free one. Without a meaning in the embedded mode.</summary>
    public int Port { get; init; } = 8443;

    /// <summary>PEM file of the server's certificate, intermediates after it.</summary>
    public string CertificateFile { get; init; } = "";

    /// <summary>PEM file of its unencrypted private key.</summary>
    public string KeyFile { get; init; } = "";
}
