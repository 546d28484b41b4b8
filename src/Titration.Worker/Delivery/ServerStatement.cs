using System.Text.Json;

namespace Titration.Worker.Delivery;

/// <summary>
/// The FHIR server's CapabilityStatement, asked for when it is first needed and kept while the process lives: what it says decides between two ways of
/// writing, and a server that is changed for another is a matter of a restart.
/// </summary>
public sealed class ServerStatement(FhirServerClient server)
{
    private volatile ServerAbilities? _known;

    /// <summary>What the server says; one that has no statement, or refuses it, says nothing.</summary>
    /// <returns>The abilities, or what stood in the way of asking.</returns>
    public async Task<(ServerAbilities? Abilities, ServerAnswer? Trouble)> GetAsync(CancellationToken cancellationToken)
    {
        if (_known is { } known)
        {
            return (known, null);
        }

        ServerAnswer answer = await server.GetDocumentAsync("CapabilityStatement", "metadata", cancellationToken);
        switch (answer)
        {
            case ServerAnswer.Document document:
                using (JsonDocument statement = JsonDocument.Parse(document.Json))
                {
                    _known = ServerAbilities.Of(statement.RootElement);
                }

                return (_known, null);
            case ServerAnswer.Missing or ServerAnswer.Refused:
                _known = ServerAbilities.Unknown;
                return (_known, null);
            default:
                return (null, answer);
        }
    }
}
